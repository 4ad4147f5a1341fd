"""Joint cards: what a drive says of itself, with its age, beside what the limits say."""

import re
from pathlib import Path

import can
import pytest
from playwright.sync_api import Browser, expect

from logger.joint.bench.bench import bench_from_texts
from logger.limits.limit import parse_limits
from logger.recording.record_settings import RecordSettings
from tests.support.recorder import Recorder

pytestmark = pytest.mark.browser
PATIENCE_MS = 45_000
LAYOUT = """
format = 1
name = "two-codes"
[[frame]]
name = "status"
identifier = 0x10
length = 4
period_s = 0.1
  [[frame.value]]
  channel = "fault_code"
  byte = 0
  bits = 8
  flags = { 0 = "over-temperature", 2 = "encoder" }
  [[frame.value]]
  channel = "state_code"
  byte = 1
  bits = 8
  names = { 7 = "moving", 1 = "resting" }
  [[frame.value]]
  channel = "temperature_housing_degC"
  byte = 2
  bits = 8
  [[frame.value]]
  channel = "torque_Nm"
  byte = 3
  bits = 8
"""
BENCH = """
[bus]
interface = "virtual"
channel = "cards"
[[joint]]
name = "wrist"
layout = "two-codes"
"""


def test_what_the_drive_says(browser: Browser, serve, tmp_path: Path):
    """Its state and since when; a fault as a red shape, a word, its name and age; then none."""
    settings = RecordSettings(
        bench=bench_from_texts(BENCH, {"two-codes": LAYOUT}, where="bench.toml"),
        where="bench.toml",
        limits=parse_limits("format = 1\n", "limits.toml"),
        out=tmp_path / "rec",
        name="Cards",
    )
    with can.Bus(interface="virtual", channel="cards") as other:
        said = can.Message(arbitration_id=0x10, data=[0, 1, 40, 3], is_extended_id=False)
        task = other.send_periodic(said, 0.1)
        recorder = Recorder(settings)
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        try:
            page.goto(serve(tmp_path))
            drive = page.locator('[data-joint="wrist"] .drive')
            expect(drive).to_contain_text("drive resting", timeout=PATIENCE_MS)
            expect(drive.locator(".drive-state small")).to_have_text(
                re.compile(r"for \d+ s"), timeout=PATIENCE_MS
            )
            expect(drive).to_contain_text("no fault")
            expect(drive.locator(".mark")).to_be_hidden()
            high = page.locator('[data-joint="wrist"]').bounding_box()

            said.data[:] = bytes([5, 7, 40, 3])
            task.modify_data(said)
            expect(drive).to_contain_text("drive moving", timeout=PATIENCE_MS)
            expect(drive.locator(".mark.danger")).to_be_visible()
            expect(drive).to_contain_text("Fault over-temperature, encoder (0x05) for ")
            after = page.locator('[data-joint="wrist"]').bounding_box()
            assert high is not None
            assert after is not None
            assert after["height"] == high["height"]

            said.data[:] = bytes([0, 7, 40, 3])
            task.modify_data(said)
            expect(drive).to_contain_text("no fault", timeout=PATIENCE_MS)
            expect(drive.locator(".mark")).to_be_hidden()
        finally:
            page.close()
            task.stop()
            recorder.end()
