"""Pure: what a joint reports and what it means. No clock, disk, bus or global.

quantities     what can be reported: unit, valid range, display, units of a layout
data_sheet     the quantities of a data sheet: units of claims, which side is better
channels       names of channels: quantity, place, set-point; the usual ones
units          arithmetic of units: of what kind one is, and how many of another
column_expression  a column of a table on its way into a channel: numbers, units, + - * /
batch          frames and readings as column arrays
time_weighted  time-weighted mean and RMS, streaming
oscillation    how far a channel oscillates within a band of frequencies
temperature_trend  how fast a temperature changes, as a straight line sees it
load_change    since when a joint's load has been of one kind
thermal/       the thermal equations of a joint, and what follows from them
bench/         settings: the bench file and its layouts
layouts/       the layouts that ship
decode/        from a batch of frames to readings
explain/       one frame explained, a layout tried, a frame typed by hand
"""
