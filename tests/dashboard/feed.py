"""Writes a recording of the simulated joints for the pages to show: a stand-in for the logger.

`python tests/dashboard/feed.py FOLDER --past 600 --live` writes 600 s at once and goes on at the
clock's pace, taking requests from the inbox, until it is stopped. Without --live it writes the
whole test and closes it. Says "ready NAME" once the recording can be opened.
"""

import argparse
import sys
import time
from pathlib import Path

import pyarrow as pa

from logger.joint.decode import DecodeState, decode
from logger.joint.decode import plan_for as decoding
from logger.limits.evaluate import evaluate, initial
from logger.limits.evaluate import plan_for as watching
from logger.limits.limit import limits_from
from logger.limits.words import sentence
from logger.simulate.offline import frames
from logger.simulate.scenario import bench, layout_text, limits_text
from logger.store.events import Event
from logger.store.inbox import event_of, take
from logger.store.manifest import Clock, Manifest, versions
from logger.store.schema import HEALTH
from logger.store.write import RecordingWriter


class Feeder:
    """Decodes, watches and writes what the simulation says."""

    def __init__(self, path, *, name, start_ns, rate_Hz):
        self.path = path
        self.start_ns = start_ns
        self.bench = bench(rate_Hz=rate_Hz)
        self.limits = limits_from(limits_text(), "limits.toml")
        manifest = Manifest(
            name=name,
            started_ns=start_ns,
            clock=Clock(boottime_ns=0, wall_ns=start_ns),
            simulated=True,
            bench=self.bench.text,
            layouts={"harvest-joint": layout_text(rate_Hz)},
            limits=limits_text(),
            written_by=versions(),
        )
        self.writer = RecordingWriter(path, manifest, self.bench, now_s=time.monotonic())
        self.decoding = decoding(self.bench)
        self.state = DecodeState()
        self.watching = {
            joint.name: watching(
                self.limits, joint=joint.name, hold_ns=self.bench.hold_ns_of(joint)
            )
            for joint in self.bench.joints
        }
        self.watch_states = {
            name: initial(plan, start_ns=start_ns) for name, plan in self.watching.items()
        }
        self.sequence = 0
        self.alerts = {}
        self.say(start_ns, "started", text="The recording began.")

    def say(self, time_ns, kind, **more):
        """Append one event."""
        event = Event(sequence=self.sequence, time_ns=time_ns, kind=kind, **more)
        self.sequence += 1
        self.writer.append_events([event])

    def take_in(self, batch):
        """Write a batch of frames, its readings and what they raise."""
        if not len(batch):
            return
        self.writer.append_frames(batch)
        decoded, self.state = decode(self.decoding, self.state, batch)
        for readings in decoded.readings:
            self.writer.append_readings(readings)
            name = readings.joint
            changes, self.watch_states[name] = evaluate(
                self.watching[name],
                self.watch_states[name],
                readings,
                now_ns=int(batch.time_ns[-1]),
            )
            for change in changes:
                self.change(change)

    def change(self, change):
        """Write what a limit said."""
        key = (change.joint, change.limit)
        if change.kind == "raised":
            self.alerts[key] = len(self.alerts_given()) + 1
            self.given.append(key)
        self.say(
            change.time_ns,
            change.kind,
            joint=change.joint,
            limit=change.limit,
            severity=change.severity,
            alert=self.alerts[key],
            channel=change.channel,
            value=change.value if change.kind == "raised" else change.peak,
            text=sentence(change, self.limits.named(change.limit)),
        )

    def alerts_given(self):
        """Return the alerts raised so far."""
        if not hasattr(self, "given"):
            self.given = []
        return self.given

    def health(self, time_ns, rate):
        """Write the recorder's own figures."""
        self.writer.append(
            "health",
            pa.RecordBatch.from_pylist(
                [
                    {
                        "time": time_ns,
                        "frames_per_s": rate,
                        "bus_load": 0.31,
                        "dropped": 0,
                        "undecoded": 0,
                        "disk_left_h": 61.0,
                    }
                ],
                schema=HEALTH,
            ),
        )


def main():
    """Write until done or stopped."""
    parser = argparse.ArgumentParser()
    parser.add_argument("folder", type=Path)
    parser.add_argument("--file", default="20261125T093000Z-fan-test")
    parser.add_argument("--name", default="Shoulder and elbow, fan test")
    parser.add_argument("--past", type=float, default=60.0)
    parser.add_argument("--ago", type=float, default=0.0)
    parser.add_argument("--rate", type=float, default=100.0)
    parser.add_argument("--live", action="store_true")
    parser.add_argument("--gap", type=float, nargs=2, default=(0.0, 0.0))
    parser.add_argument("--note", action="append", default=[], help="SECONDS:TEXT")
    chosen = parser.parse_args()
    start_ns = time.time_ns() - round((chosen.past + chosen.ago) * 1e9)
    feeder = Feeder(
        chosen.folder / chosen.file, name=chosen.name, start_ns=start_ns, rate_Hz=chosen.rate
    )
    hours = (chosen.past + (900.0 if chosen.live else 0.0)) / 3600.0
    low, high = (start_ns + round(edge * 1e9) for edge in chosen.gap)
    notes = sorted((float(n.split(":", 1)[0]), n.split(":", 1)[1]) for n in chosen.note)
    said = False

    def between(batch):
        return batch.taken((batch.time_ns < low) | (batch.time_ns >= high))

    for whole in frames(hours=hours, rate_Hz=chosen.rate, seed=7, start_ns=start_ns):
        rest = between(whole)
        while len(rest):
            now_ns = time.time_ns() if chosen.live else 2**62
            while notes and len(rest) and start_ns + notes[0][0] * 1e9 < rest.time_ns[0]:
                at, text = notes.pop(0)
                feeder.say(start_ns + round(at * 1e9), "note", text=text, who="H.")
            due = int((rest.time_ns <= now_ns).sum())
            feeder.take_in(rest.taken(slice(0, due)))
            if due:
                feeder.health(int(rest.time_ns[due - 1]), 12 * chosen.rate / 5)
            rest = rest.taken(slice(due, None))
            for request in take(feeder.path):
                event = event_of(request, sequence=feeder.sequence, time_ns=time.time_ns())
                feeder.sequence += 1
                feeder.writer.append_events([event])
            feeder.writer.tick(time.monotonic())
            if len(rest):
                if not said:
                    said = True
                    sys.stdout.write(f"ready {feeder.path.name}\n")
                    sys.stdout.flush()
                time.sleep(0.05)
    end_ns = start_ns + round(hours * 3600e9)
    feeder.say(end_ns, "ended", text="The recording ended.")
    feeder.writer.close(ended_ns=end_ns, cause="whole")
    if not said:
        sys.stdout.write(f"ready {feeder.path.name}\n")


if __name__ == "__main__":
    main()
