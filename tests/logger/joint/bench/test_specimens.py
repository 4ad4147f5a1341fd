"""Who is who on a bench: what a bench file may not say of a specimen."""

from pathlib import Path

import pytest

from logger.errors import InputError
from logger.joint.bench.bench import bench_from_texts, read_bench

LAYOUT = 'format = 1\nname = "l"\n'
FRAME = '[[frame]]\nname = "f"\nidentifier = "node"\nlength = 2\n'
VALUE = '[[frame.value]]\nchannel = "current_A"\nbyte = 0\nbits = 16\n'


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ('serial = ""', "found '', expected what stands on the joint; without one leave"),
        ('serial = " "', "found '', expected what stands on the joint"),
        ("claims = { peak_torque_Nm = -3 }", "found -3, expected 0 or more"),
    ],
)
def test_a_specimen_that_cannot_be_meant_is_refused(tmp_path: Path, settings: str, words: str):
    """In a bench file; a recording that has it already is read all the same."""
    text = (
        f'[bus]\ninterface = "virtual"\n[[joint]]\nname = "a"\nlayout = "l"\nnode = 1\n{settings}\n'
    )
    bench, layout = tmp_path / "bench.toml", LAYOUT + FRAME + VALUE
    bench.write_text(text)
    with pytest.raises(InputError) as raised:
        read_bench(bench, given_layouts={"l": layout})
    assert words in str(raised.value)
    assert bench_from_texts(text, {"l": layout}, where="recording").joints[0].name == "a"
