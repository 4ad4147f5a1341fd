"""What a maker claims: checked like the rest of the bench file, digits and conditions kept."""

import pytest

from logger.errors import InputError
from logger.joint.bench.bench import bench_from_texts, read_bench
from logger.joint.data_sheet import SHEET_QUANTITIES, find_sheet_key, sheet_keys
from tests.support.one_joint import MOTOR, ONE_JOINT, one_joint_bench


def _claims(text: str):
    bench = one_joint_bench(MOTOR, f"[joint.claims]\n{text}\n")
    return bench.claims_of(bench.joint_named("a"))


def test_the_digits_of_a_claim_are_kept():
    """24.0 is known to 0.05, 24 to 0.5, 2.4e1 to 0.5; units are converted, digits with them."""
    torque, play, speed, mass = _claims(
        "peak_torque_Nm = 24.0\nbacklash_arcmin = 10\nno_load_speed_rpm = 1.7e2\nmass_g = 610.00"
    )
    assert (torque.text, torque.value, torque.half_digit) == ("24.0", 24.0, pytest.approx(0.05))
    assert (play.text, play.value, play.half_digit) == ("10", 10.0, 0.5)
    assert speed.value == pytest.approx(17.8, abs=0.003)
    assert speed.half_digit == pytest.approx(5 * 0.104719755)
    assert (speed.unit, mass.unit) == ("rpm", "g")
    assert (mass.text, mass.value) == ("610.00", pytest.approx(0.61))
    assert mass.half_digit == pytest.approx(5e-6)


def test_conditions_are_stated_or_usual():
    """Where a claim says nothing of holding it means turning; other conditions stay open."""
    (one,) = _claims(
        'continuous_torque_Nm = { value = 9.0, ambient_degC = 25, mounting = "plate" }'
    )
    assert one.conditions == {"holding": False, "ambient_degC": 25.0, "mounting": "plate"}
    (holding,) = _claims("continuous_torque_Nm = { value = 7, holding = true, tolerance = 0.1 }")
    assert (holding.conditions, holding.tolerance) == ({"holding": True}, 0.1)
    (bare,) = _claims("torque_per_ampere = 1.9")
    assert (bare.conditions, bare.quantity.name, bare.unit) == ({}, "torque_per_ampere", "Nm_A")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "peak_torqe_Nm = 24",
            "there is no such claim. Did you mean 'peak_torque_Nm'? Known: peak",
        ),
        ("shine = 24", "Known: peak_torque_Nm, continuous_torque_Nm"),
        (
            "peak_torque_lbft = 24",
            "no known unit of the peak torque; expected one of peak_torque_Nm",
        ),
        ("backlash = 10", "expected one of backlash_arcmin, backlash_arcsec, backlash_deg"),
        ("backlash_arcmin = 10\nbacklash_deg = 0.2", "found 'backlash_arcmin' as well"),
        ("mass_kg = 'ten'", "mass_kg: found 'ten', expected a number such as 10"),
        ("mass_kg = true", "mass_kg"),
        ("mass_kg = nan", "mass_kg.value: found nan, expected a finite number"),
        (
            "mass_kg = { value = 1.0, colour = 'red' }",
            "colour: there is no such key. Known: ambient",
        ),
        ("mass_kg = { ambient_degC = 20 }", "value: this key is missing"),
        ("mass_kg = { value = 1.0, ambient_degC = 900 }", "found 900, expected at most 250"),
        ("mass_kg = { value = 1.0, tolerance = 0 }", "greater than 0"),
    ],
)
def test_a_claim_that_cannot_be_meant_is_refused(text: str, words: str):
    """With file and key, what was found, and what is known."""
    with pytest.raises(InputError) as raised:
        _claims(text)
    assert words in str(raised.value)
    assert str(raised.value).startswith("bench.toml: joint[1].claims")


def test_every_key_of_every_quantity_is_found():
    """Each names one quantity, and the first of them is in its stored unit."""
    keys = [key for one in SHEET_QUANTITIES.values() for key in sheet_keys(one)]
    assert len(keys) == len(set(keys))
    for quantity in SHEET_QUANTITIES.values():
        assert find_sheet_key(sheet_keys(quantity)[0]) == (quantity, 1.0)
        assert all(find_sheet_key(key)[0] is quantity for key in sheet_keys(quantity))


def test_two_joints_of_one_serial_are_refused(tmp_path):
    """A specimen is one joint; in recordings that were made before it is read as it was."""
    text = ONE_JOINT + 'serial = "7"\n[[joint]]\nname = "b"\nlayout = "l"\nnode = 4\nserial = "7"\n'
    layout = f'format = 1\nname = "l"\n{MOTOR}'.replace("0x10", '"0x10 + node"')
    (tmp_path / "bench.toml").write_text(text)
    (tmp_path / "l.toml").write_text(layout)
    with pytest.raises(
        InputError, match=r"joint\[2\] \(b\).serial: found '7', which is that of 'a'"
    ):
        read_bench(tmp_path / "bench.toml")
    assert len(bench_from_texts(text, {"l": layout}, where="recording").joints) == 2


@pytest.mark.parametrize("key", ["serial", "type", "mounting"])
def test_a_name_of_a_specimen_is_words_on_one_line(key: str):
    """What is printed beside a verdict steers no terminal."""
    with pytest.raises(InputError, match="words on one line"):
        one_joint_bench(MOTOR, f'{key} = "a\\u001bb"\n')
    joint = one_joint_bench(MOTOR, f'{key} = " J-17 "\n').joint_named("a")
    assert getattr(joint, key) == "J-17"
