"""Judges candidate limits on recorded traces, by the code that runs live.

sweep     sweep.toml -> candidates, and what counts as a bad end
spans     alerts as arrays; when somebody listened
shared    limits that make the same scores
near      which buckets of a trace can change anything about a limit
walk      a limit taken from one such place to the next
full      any number of limits over every reading of a recording
pyramid   levels over the rows near them
"""
