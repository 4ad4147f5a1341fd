"""Measure: guided measurements on the bench, on a live recording or a past one.

question   what a page asks: kind, joint, readings, spans that are marked; validated
evaluated  the evaluation of a question, the very one of the command, kept while nothing changes
course     the channel that is watched: its newest value, large, and its trace with the spans
watched    what has to keep right meanwhile: pace, clamp, warmth, standing
kind_figures  the figure of each kind, from what its evaluation gives
view       everything that the page shows of a question
routes     the routes that the page reads from, and the one that keeps a result
"""
