"""A part that is not what was written is an error: never a number, and never a dead process."""

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.errors import InputError
from logger.store.layout.schema import TIME_TYPE
from logger.store.parts import part_writer
from logger.store.parts.part import Part, list_parts
from logger.store.parts.part_writer import write_part
from tests.support.depth import examples

ALL = {"start_ns": 0, "end_ns": 2**62}
START_NS = 1_795_000_000_000_000_000
PAGE = 512
"""A small page for a small file: there are more ways to cut it."""


def _table(seed: int, count: int = 400) -> pa.Table:
    dice = np.random.default_rng(seed)
    return pa.table(
        {
            "time": pa.array(START_NS + np.arange(count) * 1_000_000).cast(TIME_TYPE),
            "value": pa.array(dice.normal(40, 1, count).round(1), mask=dice.random(count) < 0.3),
            "count": pa.array(dice.integers(0, 9, count)),
            "text": pa.array([f"said {number % 7}" for number in range(count)]),
        }
    )


@pytest.fixture(scope="module")
def part(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, bytes, pa.Table]:
    """Give a small part of three row groups, its bytes and its rows."""
    table = _table(0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(part_writer, "ROW_GROUP_ROWS", 150)
        path = write_part(tmp_path_factory.mktemp("part"), table, first_row=0)
    return path, path.read_bytes(), table


def _found(path: Path, content: bytes, table: pa.Table) -> str:
    """Return how a part with these bytes is read; it must never be read as anything else."""
    path.write_bytes(content)
    one = Part(location=path, first_row=0, end_row=table.num_rows)
    verified = one.verify_part()
    if one.verify_error:
        assert one.read_span(**ALL) is None
        return "no footer"
    if verified:
        with pytest.raises(InputError, match=f"{path.name}.*damaged"):
            one.read_span(**ALL)
        return "damaged"
    assert one.read_span(**ALL).equals(table)
    return "whole"


def test_each_byte_flipped(part):
    """Whichever byte it is, the part is damaged and says so."""
    path, content, table = part
    dice = np.random.default_rng(1)
    for place in range(len(content)):
        flipped = bytearray(content)
        flipped[place] ^= 1 << int(dice.integers(8))
        assert _found(path, bytes(flipped), table) != "whole", place
    assert _found(path, content, table) == "whole"


def test_cut_at_every_byte_and_zeroed_from_every_page(part):
    """A part that lost its end has no footer, and no rows."""
    path, content, table = part
    for length in range(0, len(content), 3):
        assert _found(path, content[:length], table) == "no footer"
    for begin in range(0, len(content), PAGE):
        assert _found(path, content[:begin].ljust(len(content), b"\0"), table) == "no footer"
    assert _found(path, content + b"\0", table) == "no footer"


def test_a_stale_page(part, tmp_path: Path):
    """A page of another part, or of another place in the same, in whichever place."""
    path, content, table = part
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(part_writer, "ROW_GROUP_ROWS", 150)
        older = write_part(tmp_path, _table(9), first_row=0).read_bytes()
    for at in range(0, len(content), PAGE):
        for source in (older, content[PAGE:]):
            page = source[at : at + PAGE][: len(content) - at]
            stale = content[:at] + page + content[at + len(page) :]
            assert _found(path, stale, table) != "whole" or stale == content, at


@settings(
    max_examples=examples(200),
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(data=st.data())
def test_several_bytes_flipped(part, data):
    """Many at once, as a bad disk does."""
    path, content, table = part
    flipped = bytearray(content)
    places = st.lists(st.integers(0, len(content) - 1), min_size=2, max_size=40, unique=True)
    for place in data.draw(places):
        flipped[place] ^= data.draw(st.integers(1, 255))
    assert _found(path, bytes(flipped), table) != "whole"


def test_what_is_whole_in_a_damaged_part_is_read(part):
    """One damaged row group costs its own rows only, and only in the column that it is in."""
    path, content, table = part
    chunk = pq.read_metadata(pa.BufferReader(content)).row_group(1).column(2)
    flipped = bytearray(content)
    flipped[chunk.data_page_offset + chunk.total_compressed_size // 2] ^= 1
    path.write_bytes(bytes(flipped))
    one = Part(location=path, first_row=0, end_row=400)
    assert one.read_span(**ALL, columns=["time", "value"]).equals(table.select(["time", "value"]))
    assert one.read_span(start_ns=0, end_ns=START_NS + 1).equals(table.slice(0, 150))
    with pytest.raises(InputError, match=r"count from row \d+ on is not what was written"):
        one.read_span(**ALL, columns=["count"])
    path.write_bytes(content)


def test_a_part_of_before_there_were_sums(tmp_path: Path):
    """It is read as ever; a damaged one is still told as far as Parquet itself can tell."""
    path = tmp_path / part_writer.part_name(0, 400)
    pq.write_table(_table(0), path)
    one = list_parts(tmp_path)[0]
    assert one.read_span(**ALL).equals(_table(0))
    assert one.verify_part() == ""
    path.write_bytes(path.read_bytes()[:-1])
    assert list_parts(tmp_path)[0].verify_part()


@pytest.mark.parametrize("count", [0, 1, 16_384, 16_385])
def test_any_number_of_rows(tmp_path: Path, count: int):
    """None, one, a whole row group and one more; and rows that were themselves read from a part."""
    table = _table(2, count)
    path = write_part(tmp_path, table, first_row=7, end_row=7 + count)
    (one,) = list_parts(tmp_path)
    assert one.verify_part() == ""
    read = one.read_span(**ALL)
    if count == 0:
        assert read is None
        return
    assert read.equals(table)
    path.unlink()
    write_part(tmp_path, read, first_row=7)
    assert list_parts(tmp_path)[0].verify_part() == ""


def test_every_other_reader_passes_the_sums_over(part):
    """For pandas it is a Parquet file like any other."""
    path, content, table = part
    path.write_bytes(content)
    assert pd.read_parquet(path)["value"].equals(table.to_pandas()["value"])
