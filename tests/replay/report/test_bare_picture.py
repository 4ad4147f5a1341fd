"""A photograph keeps its picture and how it was held, and nothing else."""

import struct

import pytest

from logger.store.layout.attachment import MediaType
from replay.report.bare_picture import MOST_PIXELS, NoPictureError, bare_picture
from tests.support.photographs import JPEG, PNG, camera_jpeg, jpeg_part, png_part, told_png

TOLD = b"47 deg 11 min N <script>alert(1)</script>"


@pytest.mark.parametrize("order", ["<", ">"])
def test_a_jpeg_tells_no_place(order: str):
    """What a camera wrote, and what stands behind the end, is gone; it still stands upright."""
    kind, bare = bare_picture(camera_jpeg(TOLD, orientation=6, order=order))
    assert kind is MediaType.JPEG
    assert TOLD not in bare
    assert bare.endswith(b"\xff\xd9")
    upright = jpeg_part(
        0xE1,
        b"Exif\0\0MM\0*" + struct.pack(">IHHHIHHI", 8, 1, 0x0112, 3, 1, 6, 0, 0),
    )
    assert bare == JPEG[:20] + upright + JPEG[20:]


def test_one_without_anything_else_is_as_it_was():
    """Byte for byte; so is one that is made bare again."""
    assert bare_picture(JPEG) == (MediaType.JPEG, JPEG)
    assert bare_picture(PNG) == (MediaType.PNG, PNG)
    _, bare = bare_picture(camera_jpeg(TOLD))
    assert bare_picture(bare)[1] == bare


def test_an_upright_camera_needs_no_word():
    """Nor does one that says nonsense of how it was held."""
    assert bare_picture(camera_jpeg(TOLD, orientation=1))[1] == JPEG
    assert bare_picture(camera_jpeg(TOLD, orientation=99))[1] == JPEG
    torn = JPEG[:20] + jpeg_part(0xE1, b"Exif\0\0II*\0\xff\xff\xff\x7f") + JPEG[20:]
    assert bare_picture(torn)[1] == JPEG


def test_colours_are_kept_and_a_small_picture_is_not():
    """A colour profile stays; the small picture in the first part goes."""
    profile = jpeg_part(0xE2, b"ICC_PROFILE\0\1\1" + bytes(20))
    small = jpeg_part(0xE0, JPEG[6:18] + b"\1\1" + b"abc")
    _, bare = bare_picture(JPEG[:2] + small + profile + JPEG[20:])
    assert bare == JPEG[:20] + profile + JPEG[20:]


def test_a_png_tells_no_text():
    """Texts, camera's words and unknown parts are gone, and what stands behind the end."""
    assert bare_picture(told_png(TOLD)) == (MediaType.PNG, PNG)


@pytest.mark.parametrize("whole", [JPEG, PNG, camera_jpeg(TOLD), told_png(TOLD)])
def test_a_torn_one_is_none(whole: bytes):
    """Cut anywhere before its end it is refused, or is whole without what was cut."""
    _, bare = bare_picture(whole)
    for length in range(len(whole)):
        try:
            assert bare_picture(whole[:length])[1] == bare
        except NoPictureError:
            continue
        assert length >= len(bare) - 40, length


def test_what_only_begins_as_a_picture_is_none():
    """Markup behind a signature, no picture within, wrong checksums, unknown parts, huge sizes."""
    header = struct.pack(">IIBBBBB", MOST_PIXELS, 2, 8, 6, 0, 0, 0)
    for content in (
        b"",
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
        b"GIF89a" + bytes(30),
        b"\xff\xd8\xff<script>",
        b"\xff\xd8\xff\xd9",
        JPEG[:20] + b"\xff\xd9",
        JPEG.replace(b"\x11\x08\x00\x08\x00\x10", b"\x11\x08\xff\xff\xff\xff"),
        PNG[:8] + b"<script>alert(1)</script>",
        PNG[:33] + png_part(b"IEND", b""),
        PNG[:8] + png_part(b"IHDR", header) + PNG[33:],
        PNG[:33] + png_part(b"EVIL", b"") + PNG[33:],
        PNG[:40] + b"\0" + PNG[41:],
    ):
        with pytest.raises(NoPictureError):
            bare_picture(content)


def test_a_long_run_of_fill_bytes_is_walked_once():
    """Two million of them that lead nowhere, which a pattern could try from each place anew."""
    run = JPEG[:-2] + b"\xff" * 2_000_000
    assert bare_picture(run + b"\0" + JPEG[-2:])[1].endswith(b"\0\xff\xd9")
    with pytest.raises(NoPictureError):
        bare_picture(run + b"\0")
