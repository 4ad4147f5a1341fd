"""Reads recordings back and computes; imports logger.joint, .limits, .store and figures of a bus.

recording    one recording, live or finished: the door that every reader goes through
recent       the newest rows and every event of a recording, read once for all who ask
window       any span at any width in pixels: envelopes and lines, no extreme lost
statistics   exact time-weighted figures of a span
alignment    where a second recording stands on the time axis of a first
excursion    one stretch beyond a limit, and what led up to it
excursions   every stretch beyond a limit, evaluated over the rows: the measure of the shorter ways
watch        what was in force and what it raised, as recorded or under other limits
raised       every stretch beyond a limit by what was raised, without evaluating the rows
tuning       candidate limits judged on recordings (a package)
bus_seconds  how the buses fared, second by second and in buckets
bus_story    what happened to the buses, and who talked in a short span
drives       what each drive says of itself: state and fault in words, and since when
alerts       how far an alert has gone by now
export       a span as one CSV or Parquet file
check        is a recording whole, and what is missing
"""
