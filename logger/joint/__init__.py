"""Pure: what a joint says and what it means. No clock, disk, bus or global.

channels     the canonical channels: name, unit, valid range, display
batch        frames and readings as column arrays
value        one value in a frame: its place in the bits, what a count of it means
identifiers  identifiers, with the node in them
layout       how a frame lays its values out in bytes (TOML -> model)
layouts/     the layouts that ship
joint_settings  the tables of the bench file that describe a joint
expand       a layout as one joint speaks it: mapped frames filled, values changed
bench        the bench file: what is on the bench, with its layouts
stop_frame   the frame that asks a joint to stop, and what shows that it does
worth        what one count is worth: units, gear, side, zero, shares of rated
resistance   Pt100 and NTC: from ohm to degrees
claims       what a frame must be to be of one kind
owners       whose frame is it
echoes       answers that look like their request, told apart
fields       bits to whole numbers to quantities
decode       frame batch -> readings, vectorised
codes        codes in words: enumerations with masks, bit flags
told         what joints say in words, told where it changes
typed        a frame as a person types or pastes it
explain      one frame, explained
trial        what a layout makes of frames, for who is still writing it
turns        single-turn encoder -> continuous angle, in segments
signals      time-weighted mean and RMS, streaming
heat         the thermal equations: step, steady state, trend
"""
