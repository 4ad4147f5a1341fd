"""What is kept of what was read: never more than said, and only what is in the file."""

import gc
import weakref
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.errors import InputError
from logger.joint.time_weighted import to_buckets
from logger.store.layout.byte_cache import ByteLruCache
from logger.store.layout.row_check import footer_check
from logger.store.layout.schema import TIME_TYPE
from logger.store.parts import part_file
from logger.store.parts.identity import PartOwner
from logger.store.parts.part import Part, list_parts, overlapping_parts
from logger.store.parts.part_writer import ROW_GROUP_ROWS, write_part
from logger.store.pyramid.seconds import PyramidCarry, overview_fault, overview_table
from tests.support.depth import examples

ROWS = 7 * ROW_GROUP_ROWS + 100
COLUMNS = ("time", "a", "b", "gone")


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(0, 40))))
def test_the_newest_up_to_so_many_bytes(puts: list[tuple[int, int]]):
    """What was used longest ago goes first, and only as much as has to."""
    kept: ByteLruCache[int] = ByteLruCache(max_bytes=100)
    order: dict[int, int] = {}
    for key, size in puts:
        assert kept.get(key) == order.get(key)
        order.pop(key, None)
        kept.put(key, size, size_bytes=size)
        order[key] = size
        while sum(order.values()) > 100:
            del order[next(iter(order))]
        assert kept.size_bytes == sum(order.values())
    for key in range(10):
        assert kept.get(key) == order.get(key)


def _table(seed: int = 0) -> pa.Table:
    dice = np.random.default_rng(seed)
    return pa.table(
        {
            "time": pa.array(np.arange(ROWS) * 1000).cast(pa.timestamp("ns", tz="UTC")),
            "a": dice.normal(size=ROWS).round(1),
            "b": pa.array(dice.integers(0, 9, ROWS), mask=dice.random(ROWS) < 0.2),
        }
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder with a part of eight row groups."""
    folder = tmp_path_factory.mktemp("kept")
    (folder / "recording.json").write_text("{}")
    write_part(folder / "status", _table(), first_row=0)
    return folder / "status"


@settings(max_examples=examples(60))
@given(
    st.lists(
        st.tuples(
            st.integers(0, ROWS),
            st.integers(0, 3 * ROW_GROUP_ROWS) | st.just(ROWS),
            st.permutations(COLUMNS),
            st.integers(1, 4),
        ),
        min_size=1,
        max_size=12,
    ),
    st.sampled_from([0, 100_000, 12 << 20]),
)
def test_what_is_kept_is_what_is_in_the_file(
    folder: Path, windows: list[tuple[int, int, list[str], int]], most_bytes: int
):
    """Any windows of any columns in any order: as if each were read for the first time."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(part_file, "_CHUNK_CACHE", ByteLruCache(max_bytes=most_bytes))
        (part,) = list_parts(folder)
        whole = _table()
        for row, count, order, some in windows:
            names = [name for name in order[:some] if name != "gone"]
            found = part.read_span(
                start_ns=row * 1000, end_ns=(row + count) * 1000, columns=order[:some]
            )
            low = row // ROW_GROUP_ROWS * ROW_GROUP_ROWS
            high = min(-(-(row + count) // ROW_GROUP_ROWS) * ROW_GROUP_ROWS, ROWS)
            if row >= ROWS or count == 0:
                assert found is None or count == 0
                continue
            assert found is not None
            assert found.column_names == names
            expected = whole.slice(low, high - low).select(names)
            assert all(found[name].equals(expected[name]) for name in names)


def test_another_file_of_its_name_is_another(tmp_path: Path):
    """A part that was written anew is not taken for the one whose rows are kept."""
    (tmp_path / "recording.json").write_text("{}")
    window = {"start_ns": 0, "end_ns": 1000, "columns": ["a"]}
    for seed in (1, 2):
        write_part(tmp_path / "status", _table(seed), first_row=0)
        (part,) = list_parts(tmp_path / "status")
        for _ in range(2):
            table = part.read_span(**window)
            assert table["a"].equals(_table(seed)["a"].slice(0, ROW_GROUP_ROWS))


def test_a_footer_that_is_gone_is_read_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """And every chunk is compared again then: a flipped byte is told however late."""
    monkeypatch.setattr(part_file, "_FOOTER_CACHE", ByteLruCache(max_bytes=0))
    monkeypatch.setattr(part_file, "_CHUNK_CACHE", ByteLruCache(max_bytes=0))
    (tmp_path / "recording.json").write_text("{}")
    path = write_part(tmp_path / "status", _table(), first_row=0)
    part = Part(location=path, first_row=0, end_row=ROWS)
    window = {"start_ns": 0, "end_ns": 1000, "columns": ["a"]}
    assert part.read_span(**window) is not None
    content = bytearray(path.read_bytes())
    place = part.footer.row_group(0).column(1).data_page_offset
    content[place + 30] ^= 0xFF
    path.write_bytes(content)
    with pytest.raises(InputError, match="a from row 0 on is not what was written"):
        part.read_span(**window)


@pytest.fixture
def no_search_for_circles() -> Iterator[None]:
    """Have Python free only what nothing holds."""
    gc.collect()
    gc.disable()
    yield
    gc.enable()


@pytest.mark.usefixtures("no_search_for_circles")
def test_a_footer_that_left_the_cache_is_freed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """At once: months of them, held until Python looks for circles, weigh hundreds of megabytes."""
    monkeypatch.setattr(part_file, "_FOOTER_CACHE", ByteLruCache(max_bytes=0))
    (tmp_path / "recording.json").write_text("{}")
    time = pa.array(range(5), TIME_TYPE)
    rows = pa.table({"time": time, "torque_Nm": np.zeros(5)})
    seconds = to_buckets(
        np.arange(5) * 10**9, np.zeros(5), hold_ns=1, width_ns=10**9, until_ns=10**10
    )
    overview = overview_table({"torque_Nm": seconds}, PyramidCarry())
    for stream, table, check in (
        ("status", rows, footer_check(rows.schema)),
        ("overview", overview, overview_fault),
    ):
        owner = PartOwner("id", stream, check)
        write_part(tmp_path / stream, table, first_row=0, owner=owner)
        (part,) = list_parts(tmp_path / stream, owner)
        assert part.verify_error == ""
        assert part.read_whole().num_rows == table.num_rows
        footer = weakref.ref(part.footer)
        assert footer() is None


@settings(max_examples=examples(200))
@given(st.lists(st.integers(0, 50), min_size=1, max_size=30), st.integers(-20, 900))
def test_a_place_among_parts_is_the_one_that_halving_finds(steps: list[int], at_ns: int):
    """However unequal the parts are: the first one that ends at an instant or later."""
    edges = np.cumsum(steps).tolist()
    made = [
        Part(
            location=Path(),
            first_row=row,
            end_row=row + 1,
            _spans=((begin, end),),
            _verify_error="",
        )
        for row, (begin, end) in enumerate(zip([0, *edges], edges, strict=False))
    ]
    expected = [one for one in made if one.spans[-1][1] >= at_ns and one.spans[0][0] < at_ns + 7]
    found = overlapping_parts(made, start_ns=at_ns, end_ns=at_ns + 7)
    assert [part.first_row for part in found] == [part.first_row for part in expected]


def test_what_is_asked_for_again_is_not_made_again():
    """A thing is made once while it is kept, and anew when it had to go."""
    made: list[str] = []
    kept: ByteLruCache[bytes] = ByteLruCache(max_bytes=100)

    def ask(key: str, size: int) -> bytes:
        return kept.get_or_make(key, lambda: made.append(key) or b"x" * size, len)

    for _ in range(3):
        assert ask("a", 40) == b"x" * 40
    assert made == ["a"]
    ask("b", 40)
    ask("c", 40)
    assert kept.get("a") is None
    ask("a", 40)
    assert made == ["a", "b", "c", "a"]
