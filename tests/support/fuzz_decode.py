"""A fuzz target: random layouts and random frames; whatever comes is decoded or counted.

    python -m tests.support.fuzz_decode --seconds 600 --seed 7

A layout is refused in words or makes a plan; a plan takes any frames in any chunking. What breaks a
law ends the run with the seed of the round, which brings it back.
"""

import argparse
import sys
import time

import numpy as np

from logger.errors import InputError
from logger.joint.batch import FrameBatch
from logger.joint.bench.bench import Bench, bench_from_texts
from logger.joint.channels import USUAL_CHANNELS
from logger.joint.decode.decode import DecodeState, decode, decode_plan
from logger.joint.decode.text_codes import Notice

__all__ = ["fuzz", "one_round"]

NAMES = USUAL_CHANNELS
CODES = {"fault_code", "state_code"}
HEADS = (0x10, 0x11, 0x7FF, 0x18FF0001)


def _value(dice: np.random.Generator) -> str:
    channel = str(dice.choice(NAMES))
    bits = int(dice.integers(1, 65))
    lines = [
        "[[frame.value]]",
        f'channel = "{channel}"',
        f"byte = {dice.integers(0, 64 if dice.random() < 0.2 else 8)}",
        f"bits = {min(bits, 32) if channel in CODES else bits}",
        f'order = "{dice.choice(["little", "big"])}"',
    ]
    if dice.random() < 0.5:
        lines.append(f"bit = {dice.integers(0, 8)}")
    if channel not in CODES and bits in {16, 32, 64}:
        lines.append('type = "float"')
    elif dice.random() < 0.5:
        lines.append("signed = true")
    if dice.random() < 0.3:
        low = dice.integers(-2, 256)
        lines.append(f'no_value = [{low}, "{low + 1}..{low + 3}"]')
    if channel in CODES and dice.random() < 0.7:
        lines.append('flags = { 0 = "x", 3 = "y" }\nnames = { "1/3" = "one", 2 = "two" }')
    elif channel == "position_rad" and dice.random() < 0.7:
        turns = dice.choice([1, 1, 3])
        lines.append(f"encoder = {{ counts = {dice.integers(2, 1 << 16)}, turns = {turns} }}")
    elif channel.startswith("temperature") and dice.random() < 0.3:
        lines.append('resistance = "pt100"')
    elif channel not in CODES and dice.random() < 0.5:
        lines.append(f"scale = {dice.normal() * 10.0 ** dice.integers(-6, 6)!r}")
    return "\n".join(lines)


def _layout(dice: np.random.Generator) -> str:
    frames = []
    for number in range(dice.integers(1, 4)):
        head = int(dice.choice(HEADS))
        lines = [
            "[[frame]]",
            f'name = "frame {number}"',
            f"identifier = {head}",
            f"extended = {str(head > 0x7FF).lower()}",
            f"length = {dice.integers(0, 65 if dice.random() < 0.2 else 9)}",
        ]
        if dice.random() < 0.5:
            lines.append(f'begins = "{dice.integers(0, 256):02X}"')
        if dice.random() < 0.2:
            lines.append(f"mask = {dice.integers(0, 0x800)}")
        if dice.random() < 0.3:
            lines.append(
                f"match = [{{ byte = {dice.integers(0, 4)}, bit = 3, bits = 2, equals = 1 }}]"
            )
        if dice.random() < 0.2:
            lines.append("exact_length = true")
        if dice.random() < 0.2:
            lines.append("echo_within_s = 0.001")
        if dice.random() < 0.3:
            restart = "restart = 1, " if dice.random() < 0.5 else ""
            lines.append(
                f'part = [{{ {restart}name = "p", byte = {dice.integers(0, 3)}, bits = 2 }}]\n'
                f'tells = "{dice.choice(["each", "change"])}"'
            )
        lines += [_value(dice) for _ in range(dice.integers(0, 4))]
        frames.append("\n".join(lines))
    return 'format = 1\nname = "l"\n' + "\n".join(frames)


def _bench(dice: np.random.Generator) -> Bench | None:
    text = '[bus]\ninterface = "virtual"\n'
    text += f'[[joint]]\nname = "a"\nlayout = "l"\nreversed = {str(dice.random() < 0.5).lower()}\n'
    try:
        return bench_from_texts(text, {"l": _layout(dice)}, where="bench.toml")
    except InputError:
        return None


def _frames(dice: np.random.Generator) -> FrameBatch:
    n = int(dice.integers(0, 400))
    width = int(dice.choice([8, 64]))
    return FrameBatch(
        time_ns=np.cumsum(dice.integers(0, 10 ** dice.integers(1, 11), n)),
        identifier=dice.choice([*HEADS, dice.integers(0, 1 << 29)], n).astype(np.uint32),
        flags=np.where(
            dice.random(n) < 0.7, dice.choice([0, 1], n), dice.integers(0, 32, n)
        ).astype(np.uint8),
        length=dice.integers(0, 80, n).astype(np.uint8),
        data=dice.integers(0, 256, (n, width)).astype(np.uint8),
        bus=dice.choice([0, 0, 0, 1], n).astype(np.uint8),
    )


def one_round(seed: int) -> bool:
    """Try one layout; return whether it was one.

    Raises
    ------
    AssertionError
        A law does not hold: a frame is neither a reading nor counted, or chunking changes a value.
    """
    dice = np.random.default_rng(seed)
    bench = _bench(dice)
    if bench is None:
        return False
    plan = decode_plan(bench)
    frames = _frames(dice)
    whole, _ = decode(plan, DecodeState(), frames)
    sent = int(np.count_nonzero(frames.flags & 16))
    # What looks like its request is a request, whether it could be told or not.
    rejected = sum(n for why, n in whole.rejected.items() if not why.startswith("request or"))
    assert len(whole.readings[0]) + rejected + whole.requests + sent == len(frames)
    state, parts = DecodeState(), []
    notices: list[Notice] = []
    cuts = sorted(dice.integers(0, len(frames) + 1, 3).tolist())
    for first, behind in zip([0, *cuts], [*cuts, len(frames)], strict=True):
        part, state = decode(plan, state, frames.select_rows(slice(first, behind)))
        parts.append(part.readings[0])
        notices += part.notices
    assert notices == list(whole.notices)
    segments = np.concatenate([part.position_segment for part in parts])
    np.testing.assert_array_equal(whole.readings[0].position_segment, segments)
    for channel, values in whole.readings[0].columns.items():
        pieces = np.concatenate([part.columns[channel] for part in parts])
        np.testing.assert_array_equal(values, pieces, err_msg=channel)
    return True


def fuzz(*, seconds: float, seed: int) -> tuple[int, int]:
    """Try layouts for some seconds; return rounds, and those whose layout was one."""
    rounds = taken = 0
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        try:
            with np.errstate(all="ignore"):
                taken += one_round(seed + rounds)
        except Exception as fault:
            raise AssertionError(f"round {seed + rounds} breaks a law") from fault
        rounds += 1
    return rounds, taken


if __name__ == "__main__":
    wanted = argparse.ArgumentParser(description=__doc__)
    wanted.add_argument("--seconds", type=float, default=60.0)
    wanted.add_argument("--seed", type=int, default=0)
    chosen = wanted.parse_args()
    done, good = fuzz(seconds=chosen.seconds, seed=chosen.seed)
    sys.stdout.write(f"{done} rounds, {good} of them with a layout that is one: every law held\n")
