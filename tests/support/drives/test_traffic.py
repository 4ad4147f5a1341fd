"""Invented drives are what their truth says: read back bit by bit, by plain code of its own."""

import struct
from collections import Counter
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from logger.joint.bench.value import Value
from logger.joint.decode.raw_values import floats_of_bits, raw_values
from tests.support.drives import (
    DriveSet,
    DriveTraffic,
    Meaning,
    SignForm,
    invent_drive,
    plan_drive,
)
from tests.support.drives.checksums import ChecksumPlan, checksum_bytes
from tests.support.drives.truth import FieldTruth, KindTruth

SEEDS = tuple(range(100, 108))
CASES = [(seed, DriveSet.MAIN) for seed in SEEDS] + [
    *((seed, DriveSet.HARD) for seed in range(5)),
    *((seed, DriveSet.WRONG_TURN) for seed in range(2)),
]

every_case = pytest.mark.parametrize(
    ("seed", "drive_set"), CASES, ids=[f"{drive_set.name}-{seed}" for seed, drive_set in CASES]
)


@cache
def drive_of(seed: int, drive_set: DriveSet) -> DriveTraffic:
    """Return a drive, made once for all tests."""
    return invent_drive(seed, drive_set)


def bit_of(payload: bytes, place: int) -> int:
    """Return the bit at a place."""
    return payload[place // 8] >> (place % 8) & 1


def raw_of(payload: bytes, places: tuple[int, ...]) -> int:
    """Return the bits at some places, the lowest first, as a whole number."""
    return sum(bit_of(payload, place) << at for at, place in enumerate(places))


def number_of(payload: bytes, places: tuple[int, ...], form: SignForm = SignForm.UNSIGNED):
    """Return a number, bit by bit."""
    raw = raw_of(payload, places)
    half = 1 << (len(places) - 1)
    if form is SignForm.TWOS_COMPLEMENT:
        return raw - 2 * half if raw >= half else raw
    if form is SignForm.OFFSET_BINARY:
        return raw - half
    if form is SignForm.SIGN_MAGNITUDE:
        return -(raw - half) if raw >= half else raw
    if form is SignForm.FLOAT32:
        return struct.unpack("<f", struct.pack("<I", raw))[0]
    return raw


def plain_checksum(kind: KindTruth, payload: bytes) -> int:
    """Return the checksum of a payload, bit by bit, after the textbook."""
    check = kind.checksum
    covered = [*check.identifier_bytes, *(payload[at] for at in check.covered)]
    if check.family == "xor":
        total = check.start
        for byte in covered:
            total ^= byte
        return total ^ check.final_xor
    if check.family == "sum":
        return (check.start + sum(covered)) % 256 ^ check.final_xor
    register = check.start
    for byte in covered:
        ordered = f"{byte:08b}"[::-1] if check.is_reflected else f"{byte:08b}"
        for bit in ordered:
            top = register >> 7
            register = register << 1 & 0xFF
            if top != int(bit):
                register ^= check.polynomial
    if check.is_reflected:
        register = int(f"{register:08b}"[::-1], 2)
    return register ^ check.final_xor


def thinned(kind: KindTruth, count: int = 60) -> np.ndarray:
    """Return about so many places among the rows of a kind, evenly."""
    return np.unique(np.linspace(0, len(kind.rows) - 1, count).astype(int))


def payloads_of(drive: DriveTraffic, kind: KindTruth, at: np.ndarray) -> list[bytes]:
    """Return the payloads of some frames of a kind."""
    return [bytes(row[: kind.length]) for row in drive.data[kind.rows[at]]]


def misses(field: FieldTruth, numbers: np.ndarray, course: np.ndarray) -> np.ndarray:
    """Return how far what numbers tell is from a course, in counts (of a float: in its steps)."""
    told = numbers * field.scale + field.offset
    if field.sign_form is SignForm.FLOAT32:
        step = np.spacing(np.abs((course - field.offset) / field.scale).astype(np.float32))
        return np.abs(told - course) / (step.astype(float) * abs(field.scale) + 1e-12)
    counts = (told - course) / field.scale
    if field.wrap_counts is not None:
        half = field.wrap_counts / 2
        counts = (counts + half) % field.wrap_counts - half
    return np.abs(counts)


@every_case
def test_read_bit_by_bit_every_field_tells_its_course(seed, drive_set):
    """Whatever its order, form and pieces, within half a count."""
    drive = drive_of(seed, drive_set)
    for kind in drive.truth.kinds:
        at = thinned(kind)
        payloads = payloads_of(drive, kind, at)
        changed = np.unpackbits(
            np.bitwise_or.reduce(drive.data[kind.rows] ^ drive.data[kind.rows[0]]),
            bitorder="little",
        )
        for field in kind.fields:
            numbers = [number_of(payload, field.places, field.sign_form) for payload in payloads]
            missed = misses(field, np.array(numbers, float), field.course[at])
            assert missed.max() <= 0.5 + 1e-3, (field.name, field.sign_form)
            assert field.moving_places == tuple(at for at in field.places if changed[at])


def product_position(field: FieldTruth) -> Value | None:
    """Return where the product's own layout would say that a field lies; None: it cannot."""
    forms = (SignForm.UNSIGNED, SignForm.TWOS_COMPLEMENT, SignForm.FLOAT32)
    if field.is_split or field.sign_form not in forms:
        return None
    first = field.places[0] if field.order == "little" else field.places[-1]
    kind = {"type": "float"} if field.sign_form is SignForm.FLOAT32 else {}
    if field.sign_form is SignForm.TWOS_COMPLEMENT:
        kind = {"signed": True}
    return Value(
        channel="speed_rad_s", byte=first // 8, bit=first % 8, bits=field.bits, order=field.order,
        **kind,
    )  # fmt: skip


@every_case
def test_read_by_the_layouts_of_the_product_every_field_tells_its_course(seed, drive_set):
    """All frames, where a layout can say it."""
    drive = drive_of(seed, drive_set)
    compared = 0
    for kind in drive.truth.kinds:
        for field in kind.fields:
            value = product_position(field)
            if value is None:
                continue
            raw = raw_values(drive.data[kind.rows], value)
            is_float = field.sign_form is SignForm.FLOAT32
            numbers = floats_of_bits(raw, 32) if is_float else raw.astype(float)
            assert misses(field, numbers, field.course).max() <= 0.5 + 1e-3, field.name
            compared += 1
    assert compared


@every_case
def test_checksums_are_those_of_the_textbook(seed, drive_set):
    """The byte is what plain code computes of the covered ones."""
    drive = drive_of(seed, drive_set)
    for kind in drive.truth.kinds:
        if kind.checksum is None:
            continue
        assert kind.checksum.byte not in kind.checksum.covered
        for payload in payloads_of(drive, kind, thinned(kind)):
            assert payload[kind.checksum.byte] == plain_checksum(kind, payload)


@pytest.mark.parametrize(
    ("polynomial", "start", "final_xor", "is_reflected", "check"),
    [
        (0x07, 0x00, 0x00, False, 0xF4),
        (0x1D, 0xFF, 0xFF, False, 0x4B),
        (0x2F, 0xFF, 0xFF, False, 0xDF),
        (0x31, 0x00, 0x00, True, 0xA1),
        (0x9B, 0xFF, 0x00, False, 0xDA),
    ],
)
def test_crc_of_the_nine_digits_is_the_published_one(
    polynomial, start, final_xor, is_reflected, check
):
    """Check values of published CRC-8 parameters."""
    plan = ChecksumPlan(
        family="crc8",
        byte=9,
        covered=tuple(range(9)),
        polynomial=polynomial,
        start=start,
        final_xor=final_xor,
        is_reflected=is_reflected,
    )
    data = np.frombuffer(b"123456789\0", np.uint8)[None, :]
    assert checksum_bytes(plan, data, ()).tolist() == [check]


def counted_rows(kinds: tuple[KindTruth, ...]) -> list[tuple[tuple[int, ...], np.ndarray]]:
    """Return where each counter lies, and the rows that it counts."""
    groups: dict[object, list[KindTruth]] = {}
    for at, kind in enumerate(kinds):
        if kind.counter is not None:
            key = ("id", kind.identifier) if kind.counter.per_identifier else at
            groups.setdefault(key, []).append(kind)
    return [
        (members[0].counter.places, np.sort(np.concatenate([kind.rows for kind in members])))
        for members in groups.values()
    ]


@every_case
def test_counters_step_by_one_but_for_lost_frames(seed, drive_set):
    """Frames are counted before any is lost."""
    drive = drive_of(seed, drive_set)
    for places, rows in counted_rows(drive.truth.kinds):
        first = rows[:2000]
        numbers = [number_of(bytes(row), places) for row in drive.data[first]]
        steps = np.diff(numbers) % (1 << len(places))
        lost = np.count_nonzero(steps != 1)
        expected = drive.truth.lost_share * len(steps)
        assert lost <= expected + 5 * np.sqrt(expected)
        if drive.truth.lost_share == 0.01 and len(steps) > 1000:
            assert lost > 0


@every_case
def test_kinds_are_told_apart_by_identifier_and_multiplexer(seed, drive_set):
    """Every frame is of one kind or of a neighbour; no bit is of two fields."""
    drive = drive_of(seed, drive_set)
    kinds, neighbours = drive.truth.kinds, drive.truth.neighbours
    rows = np.concatenate([kind.rows for kind in kinds])
    others = [name for neighbour in neighbours for name in neighbour.identifiers]
    assert len(np.unique(rows)) == len(rows)
    assert len(rows) + np.isin(drive.identifier, others).sum() == len(drive.time_s)
    assert not set(others) & {kind.identifier for kind in kinds}
    assert len(set(others)) == len(others)
    for kind in kinds:
        assert set(drive.identifier[kind.rows].tolist()) == {kind.identifier}
        assert set(drive.length[kind.rows].tolist()) == {kind.length}
        for payload in payloads_of(drive, kind, thinned(kind)):
            assert raw_of(payload, kind.selector_places) == kind.selector_value
        taken = [*kind.selector_places, *(kind.counter.places if kind.counter else ())]
        if kind.checksum is not None:
            taken += range(kind.checksum.byte * 8, kind.checksum.byte * 8 + 8)
        taken += [place for field in kind.fields for place in field.places]
        assert len(set(taken)) == len(taken)
        assert max(taken) < kind.length * 8
    selectors = [(kind.identifier, kind.selector_value) for kind in kinds]
    assert len(set(selectors)) == len(kinds)
    assert not drive.data[np.arange(64) >= drive.length[:, None]].any()


@every_case
def test_frames_come_in_order_and_as_often_as_said(seed, drive_set):
    """The bus carries one after the other; what is lost is as much as was said."""
    drive = drive_of(seed, drive_set)
    assert (np.diff(drive.time_s) > 0).all()
    for kind in drive.truth.kinds:
        passed = np.ptp(drive.time_s[kind.rows])
        kept = (len(kind.rows) - 1) / passed / kind.rate
        assert kept == pytest.approx(1 - drive.truth.lost_share, abs=0.004 + 2 / len(kind.rows))


@every_case
def test_what_the_person_said_is_as_wrong_as_the_set_says(seed, drive_set):
    """Marks and typed numbers miss by as much as the set allows."""
    drive, truth = drive_of(seed, drive_set), drive_of(seed, drive_set).truth
    steps = (truth.steps.rest, truth.steps.turn, truth.steps.load, truth.steps.warm)
    marks = (drive.marks.rest, drive.marks.turn, drive.marks.load, drive.marks.warm)
    errors = np.abs(np.array(marks) - np.array(steps)).max()
    assert 0 < errors <= (2.0 if drive_set is DriveSet.HARD else 0.4)
    turn_error = abs(truth.turn_rad / (2 * np.pi) - 1)
    low, high = (0.034, 0.046) if drive_set is DriveSet.WRONG_TURN else (0, 0.006)
    assert low <= turn_error <= high
    assert drive.typed.mass_kg == pytest.approx(truth.mass_kg, rel=0.0145)
    assert abs(drive.typed.ambient_degC - truth.ambient_degC) <= 1.65
    assert all(end < begin for (_, end), (begin, _) in pairwise(steps))


def between(drive: DriveTraffic, span: tuple[float, float]) -> np.ndarray:
    """Return which times of the grid are in a span."""
    return (drive.truth.grid_s > span[0]) & (drive.truth.grid_s < span[1])


@every_case
def test_the_joint_does_the_four_steps(seed, drive_set):
    """Rest, one turn and back, +90, -90, and work that warms."""
    drive = drive_of(seed, drive_set)
    truth, angle = drive.truth, drive.truth.courses["position"]
    rest = angle[between(drive, truth.steps.rest)]
    turn = angle[between(drive, truth.steps.turn)]
    load = angle[between(drive, truth.steps.load)]
    assert np.ptp(rest) < np.radians(0.5)
    far = turn - turn[0]
    assert drive.typed.positive * far[np.argmax(np.abs(far))] == pytest.approx(
        truth.turn_rad, abs=0.02
    )
    assert turn[-1] == pytest.approx(turn[0], abs=0.02)
    assert np.degrees([load.max(), load.min()]) == pytest.approx([90, -90], abs=6)
    assert load[0] == pytest.approx(0, abs=0.02)
    assert np.argmax(load) < np.argmin(load)
    warm = np.nonzero(between(drive, truth.steps.warm))[0]
    assert truth.courses["winding"][warm[-1]] > truth.courses["winding"][0]


@every_case
def test_moving_slowly_both_ways_the_weight_is_what_remains_of_the_torque(seed, drive_set):
    """Friction goes out, so that a torque can be scaled by the weight."""
    drive = drive_of(seed, drive_set)
    truth = drive.truth
    rows = between(drive, truth.steps.load) & (np.abs(truth.courses["speed"]) > 0.05)
    angle, way = truth.courses["position"][rows], np.sign(truth.courses["speed"][rows])
    parts = np.stack([np.sin(angle), way, truth.courses["speed"][rows]], axis=1)
    weight = np.linalg.lstsq(parts, truth.courses["torque"][rows], rcond=None)[0][0]
    expected = truth.mass_kg * 9.80665 * drive.typed.arm_m
    assert weight == pytest.approx(expected, rel=0.06)


@every_case
def test_what_is_told_is_what_is_but_for_set_points(seed, drive_set):
    """Lag, noise and backlash are small beside what happens."""
    drive = drive_of(seed, drive_set)
    truth = drive.truth
    meant = {Meaning.POSITION: "position", Meaning.SPEED: "speed", Meaning.VOLTAGE: "voltage"}
    meant |= {Meaning.TORQUE: "torque", Meaning.CURRENT: "torque"}
    found = Counter()
    for kind in truth.kinds:
        times = drive.time_s[kind.rows]
        for field in kind.fields:
            name = meant.get(field.meaning, field.name.removeprefix("temperature of the "))
            if field.is_setpoint or name not in truth.courses:
                continue
            true = np.interp(times, truth.grid_s, truth.courses[name])
            far = np.sqrt(np.mean((field.course - true) ** 2))
            noise = {Meaning.TEMPERATURE: 0.5, Meaning.VOLTAGE: 0.01 * truth.supply_V}
            assert far < 0.1 * np.ptp(true) + noise.get(field.meaning, 0.0), field.name
            found[name in ("position", "speed", "torque") and name] += 1
    assert found["position"] == found["speed"] == found["torque"] == 1


def test_a_seed_gives_the_same_traffic_again():
    """The same seed gives the same drive, another seed or set another."""
    first, again = invent_drive(5), invent_drive(5)
    np.testing.assert_array_equal(first.time_s, again.time_s)
    np.testing.assert_array_equal(first.data, again.data)
    assert first.marks == again.marks
    assert first.typed == again.typed
    assert plan_drive(5) == plan_drive(5)
    assert plan_drive(5) != plan_drive(6)
    assert plan_drive(5) != plan_drive(5, DriveSet.HARD)
