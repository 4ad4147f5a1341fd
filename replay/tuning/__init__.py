"""Evaluates candidate limits on recordings, by the code that runs live, and chooses one.

sweep_file  what a sweep file may hold
sweep       a sweep file and a limits file -> candidates, and what counts as a bad end
tune        a sweep from recordings to a choice
bad_ends    the bad ends of a recording
executors   runs tasks on an executor and collects their results
cluster     the workers of a Dask cluster as such an executor
score       the score of a candidate's alerts
choice      the Pareto front, the choice, and how far it can be trusted
report      the result in words and as JSON
table       every candidate, recording and joint as one Parquet file
save        the chosen limits as a limits file
"""
