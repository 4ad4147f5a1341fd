"""Reads recordings back and computes; imports logger.joint, logger.limits and logger.store only.

recording    one recording, live or finished: the door that every reader goes through
window       any span at any width in pixels: envelopes and lines, no extreme lost
statistics   exact time-weighted figures of a span
excursions   every stretch beyond a limit, and what led up to it
alerts       how far an alert has gone by now
export       a span as one CSV or Parquet file
check        is a recording whole, and what is missing
"""
