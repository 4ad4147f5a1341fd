"""Pure: what a joint says and what it means. No clock, disk, bus or global.

channels     the canonical channels: name, unit, valid range, display
batch        frames and readings as column arrays
layout       how a frame lays its values out in bytes (TOML -> model)
layouts/     the layouts that ship
bench        the bench file: what is on the bench, with its layouts
stop_frame   the frame that asks a joint to stop, and what shows that it does
resistance   Pt100 and NTC: from ohm to degrees
owners       whose frame is it
fields       bits to whole numbers to quantities
decode       frame batch -> readings, vectorised
explain      one frame as a person types it, explained
turns        single-turn encoder -> continuous angle, in segments
signals      time-weighted mean and RMS, streaming
heat         the thermal equations: step, steady state, trend
"""
