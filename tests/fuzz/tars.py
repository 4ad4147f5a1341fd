"""Packed recordings with bytes, or heads of members, changed."""

import io
import random
import tarfile

from tests.fuzz.mutations import mutate_bytes

__all__ = ["mutate_tar"]


def mutate_tar(content: bytes, draw: random.Random) -> bytes:
    """Return a packed recording with bytes, or heads of members, changed."""
    if draw.random() < 0.4:
        return mutate_bytes(content, draw)
    made = io.BytesIO()
    with tarfile.open(fileobj=io.BytesIO(content)) as tar:
        members = tar.getmembers()
        chosen = draw.randrange(len(members))
        with tarfile.open(fileobj=made, mode="w", format=draw.choice((0, 1, 2))) as out:
            for index, member in enumerate(members):
                body = tar.extractfile(member)
                data = body.read() if body is not None else b""
                if index == chosen:
                    data = _change_member(member, data, draw)
                try:
                    out.addfile(member, io.BytesIO(data))
                except (ValueError, UnicodeError, OverflowError):
                    continue
    raw = bytearray(made.getvalue())
    if draw.random() < 0.3:
        _claim_size(raw, draw)
    return bytes(raw)


def _change_member(member: tarfile.TarInfo, data: bytes, draw: random.Random) -> bytes:
    names = (
        "../../x",
        "/x",
        "a" * 300,
        "/".join("d" * 90 for _ in range(60)),
        "é\x1b[2J",
        "sound/live.lock",
        "sound/inbox/1.json",
        "",
        ".",
        "sound/.hidden",
        member.name + "/x",
    )
    match draw.randrange(6):
        case 0:
            member.name = draw.choice(names)
        case 1:
            member.type = draw.choice(
                (b"0", b"1", b"2", b"3", b"5", b"6", b"7", b"S", b"L", b"x", b"g", b"z")
            )
            member.linkname = draw.choice(("/etc/passwd", "../x", ""))
        case 2:
            member.mtime = draw.choice((-1, 2**40, 2**62, 1.5))
        case 3:
            member.pax_headers = {
                draw.choice(
                    ("size", "path", "GNU.sparse.size", "mtime", "hdrcharset")
                ): draw.choice(("9" * 30, "-1", "x", "\x1b[2J", "1e400"))
            }
        case 4:
            data = mutate_bytes(data, draw)
            member.size = len(data)
        case 5:
            member.mode = draw.choice((0, 0o7777))
    return data


def _claim_size(raw: bytearray, draw: random.Random) -> None:
    """Let a head claim another size, in octal or base 256, with a checksum that fits."""
    at = 512 * draw.randrange(max(len(raw) // 512, 1))
    size = draw.choice((2**62, 2**63, 2**33, 0, 512, 10**6))
    raw[at + 124 : at + 136] = b"\x80" + size.to_bytes(11, "big")
    if draw.random() < 0.4:
        raw[at + 156 : at + 157] = draw.choice((b"x", b"g", b"L", b"K", b"S"))
    raw[at + 148 : at + 156] = b" " * 8
    raw[at + 148 : at + 156] = f"{sum(raw[at : at + 512]):06o}\0 ".encode()
