"""Judges candidate limits on recorded traces, by the code that runs live.

sweep_file  what a sweep file may hold
sweep       sweep.toml -> candidates, and what counts as a bad end
tune        a sweep from recordings to a choice
bad_ends    the bad ends of a recording
executors   tasks on an executor; what is done is kept
cluster     the workers of a Dask cluster as such an executor
score       scores of a candidate's alerts
choice      the best trade-offs, the choice, and how far it can be trusted
report      the result, in words and as plain content
table       every candidate, recording and joint as one Parquet file
save        the chosen limits as a limits file
"""
