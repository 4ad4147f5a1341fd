"""Reads recordings back and computes; imports logger.joint, .limits, .store and .traffic.

recording    one recording, live or finished: what every reader starts from
recent       the newest rows and every event of a recording, read once for all callers
window       any span at any width in pixels: envelopes and lines, no extreme lost
statistics   exact time-weighted statistics of a span
alignment    where a second recording stands on the time axis of a first
bus_history  the buses second by second and in buckets
bus_events   what happened to the buses, and who sent in a short span
drive_state  what each drive reports of itself: state and fault in words, and since when
check        is a recording whole, and what is missing
export       a span as one CSV or Parquet file
evaluation/  limits evaluated over stored rows, in full and by exact short ways
excursions/  which limits applied, what they raised, what led up to it
tuning/      candidate limits judged on recordings
exploring/   limits tried by hand, for the Limits page
"""
