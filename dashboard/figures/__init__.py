"""Arrays to plotly figures: plain functions, no disk, no clock, no callback.

sheet        how large a figure is on the page, and where its rows lie in it
pens         which joints are drawn, and with which pen
axes         a row with its pens; ranges and ticks that do not jump
row_choice   which rows a reader chose, and which there are to choose from
row_plan     which channels are in which row, and which pen draws each
lines        polylines and min-mean-max bands as plotly traces
annotations  limits, alert spans, gaps and notes of a window, with their texts
annotation_shapes  the same as plotly shapes, and as words for the lane
grouping     alerts and events that cannot be told apart, as one mark with their count
rows         the rows on one time axis, for Live and Replay alike
strip        the whole test in one strip
buses        the buses, for Bus
curve        a time-current curve, both axes in decades
load         the load of joints against a time-current curve
tradeoff     the trade-off of a sweep: lead time against false alerts
style        what figures share: layout, colours laid thin
sparkline    the small traces of lists

A figure is a plain mapping that plotly accepts (a test has plotly check it): building plotly's own
objects costs more than drawing them. The x axis counts seconds since the start of the recording.
What changes while the reader moves (ticks, labels in the right margin, lane, play-head) is drawn
over the figure in the browser from `layout.meta`, so that the figure is not laid out again.

Kept together: all of them are figures' parts, and none knows more than the ones above it.
"""
