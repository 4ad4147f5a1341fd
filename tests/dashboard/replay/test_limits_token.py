"""Other limits in an address: any limits file travels, nothing else does."""

import base64
import json
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.replay.limits_token import MAX_TOKEN_CHARS, decode_token, encode_token
from logger.errors import InputError
from logger.simulate import scenario
from logger.store.layout.request import MAX_LIMITS_TEXT
from replay.excursions.over_rows import find_excursions
from replay.recording import Recording

EARLY = """format = 1
[[limit]]
name = "early-warm"
kind = "level"
severity = "warning"
channel = "temperature_housing_degC"
above = 45.0

[[limit]]
name = "image"
kind = "thermal"
severity = "trip"
channel = "current_A"
basic = 2.0
heating_s = 60.0
above_percent = 30.0
"""


@given(st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=300))
def test_a_limits_file_comes_back_to_the_last_letter(said: str):
    """Whatever stands in its comments, to the last blank."""
    text = f"{EARLY}# {said}\n\n"
    token = encode_token(text)
    assert decode_token(token).text == text
    assert token.replace("-", "").replace("_", "").isalnum(), "it needs no escape in an address"


def _packed(content: bytes) -> str:
    return base64.urlsafe_b64encode(zlib.compress(content, 9)).decode().rstrip("=")


@pytest.mark.parametrize(
    ("token", "words"),
    [
        ("x", "cut or changed"),
        ("%%%%", "cut or changed"),
        ("ä" * 8, "cut or changed"),
        (encode_token(EARLY)[:-5], "cut or changed"),
        (
            encode_token(EARLY)[:40] + "A" + encode_token(EARLY)[41:],
            "cut or changed|cannot be read",
        ),
        (_packed(b"format = 1") + "AAAA", "cut or changed"),
        (_packed(b"\xff\xfe"), "no text"),
        # A small token that would become large.
        (_packed(b"#" * 20_000_000), f"more than {MAX_LIMITS_TEXT}"),
        ("A" * (MAX_TOKEN_CHARS + 1), f"at most {MAX_TOKEN_CHARS}"),
        (_packed(b"format = 2"), "limits in the address: format"),
    ],
)
def test_what_is_no_token_is_a_sentence(token: str, words: str):
    """Cut, changed, too large, or no limits file."""
    with pytest.raises(InputError, match=words):
        decode_token(token)


def test_a_file_that_is_too_long_for_an_address_is_refused():
    """Before a link is made that no server takes."""
    with pytest.raises(InputError, match="too long for an address"):
        encode_token(EARLY + "#" * MAX_LIMITS_TEXT)


def _asked(get: Callable, address: str, status: int = 200) -> dict:
    found, text = get(address)
    assert found == status, text
    return json.loads(text)


def test_replay_shows_what_they_would_have_raised(
    serve_once: Callable, get: Callable, overheat: Recording
):
    """Strip, rows, table and lead-ups by the other limits; without them by what was raised."""
    at = f"{serve_once(overheat.path.parent)}/api/recordings/{overheat.path.name}"
    judged = f"judged={encode_token(EARLY)}"
    size = "width=900&height=500"
    page = _asked(get, f"{at}/overview?{size}&{judged}")
    limits = decode_token(encode_token(EARLY))
    every = find_excursions(overheat, limits)
    assert every
    by_start = {(one.limit, (one.start_ns - overheat.start_ns) / 1e9): one for one in every}
    listed = [(one["limit"], one["at_s"]) for one in page["excursions"]]
    assert sorted(listed) == sorted(by_start)
    found = [by_start[one] for one in listed]
    assert [one.severity for one in found] == sorted(one.severity for one in found)  # trips first
    assert page["other_limits"] == (
        "Evaluated with other limits: early warm, image; nothing here was raised at the time."
    )
    details = _asked(get, f"{at}/excursions?first=0&count=99&{judged}")["details"]
    assert [one["at_s"] for one in details] == [one["at_s"] for one in page["excursions"][:99]]
    for told, one in zip(details, found[:99], strict=True):
        # Of a thermal image the short ways tell when, not how far.
        assert bool(told["peak"]) == bool(one.channel)
        # Of one in the first second nothing led up to it.
        assert ("RMS torque" in told["lead_up"]) == (told["at_s"] >= 1.0)
    length_s = page["length_s"]
    whole = _asked(get, f"{at}/window?start=0&end={length_s}&{size}&{judged}")["layout"]["meta"]
    assert {line["texts"][0] for line in whole["limits"]} == {"warning 45"}
    assert {word["mark"] for word in whole["lane"] if word["kind"] == "alert"} >= {"abnormal"}
    plain = _asked(get, f"{at}/overview?{size}")
    assert plain["other_limits"] == ""
    assert {one["limit"] for one in plain["excursions"]} >= {"housing-hot"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (EARLY.replace("housing", "gearbox"), "temperature_gearbox_degC"),
        (EARLY.replace('kind = "level"', 'kind = "level"\njoint = "nobody"'), "nobody"),
    ],
)
def test_limits_that_do_not_fit_are_a_sentence(
    serve_once: Callable, get: Callable, overheat: Recording, text: str, words: str
):
    """As every answer of these routes: 404 and why."""
    at = f"{serve_once(overheat.path.parent)}/api/recordings/{overheat.path.name}"
    for route in (
        "overview?",
        "window?start=0&end=9&",
        "span?start=0&end=9&",
        "excursions?first=0&count=9&",
    ):
        assert words in _asked(get, f"{at}/{route}judged={encode_token(text)}", 404)["fault"]
        assert "cut or changed" in _asked(get, f"{at}/{route}judged=broken", 404)["fault"]


def test_the_command_opens_it_there(bench, get: Callable, overheat: Recording, tmp_path: Path):
    """`replay REC --limits FILE`; a file that does not fit ends it with status 2."""
    file = tmp_path / "early.toml"
    file.write_text(EARLY, encoding="utf-8")
    command = ("dutytrace", "replay", str(overheat.path), "--no-browser", "--port", "0")
    process = bench.start(*command, "--limits", str(file))
    line = process.stdout.readline().strip()
    assert line.endswith(f"/replay/{overheat.path.name}?judged={encode_token(EARLY)}")
    address = line.removeprefix("The pages are at ")
    assert get(address)[0] == 200
    file.write_text(scenario.scenario_limits_text().replace("housing", "gearbox"), encoding="utf-8")
    process = bench.start(*command, "--limits", str(file))
    assert process.wait(30) == 2


@pytest.mark.parametrize("text", ["a = " + "[" * 20_000, "a = " + "9" * 5000], ids=["deep", "long"])
def test_a_short_token_of_a_text_past_all_bounds(text: str):
    """Fifty-six characters are enough for one; it is no limits file, and no fault of the server."""
    with pytest.raises(InputError, match="limits in the address"):
        decode_token(encode_token(text))
