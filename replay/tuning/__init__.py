"""Judges candidate limits on recorded traces, by the code that runs live.

    sweep_file what a sweep file may hold
    sweep      sweep.toml -> candidates, and what counts as a bad end
    tune       a sweep from recordings to a choice
    bad_ends   the bad ends of a recording
    tasks      one piece of a sweep, as plain data for any executor
    run        tasks on an executor; what is done is kept
    cluster    the workers of a Dask cluster as such an executor
    full       any number of limits over every reading of a recording
    pyramid    levels over the rows near them
    integral   inverse-time limits over the runs that may operate
    image      thermal images of many limits from one read
    still      limits on a frozen reading that cannot be raised at all
    near       which buckets of a trace can change anything about a limit
    walk       a limit taken from one such place to the next
    shared     limits that make the same scores
    spans      alerts as arrays; when somebody listened
    score      what the alerts of a candidate were worth
    choice     the best trade-offs, the choice, and how far it can be trusted
    rough      limits asked of the pyramid's seconds: at once, about
    desk       limits tried by hand: rough answers that become exact
    handles    where a limit's levels lie in a picture, and which keys move them
    stretches  how long a joint was loaded how hard, against a time-current curve
    answer     what came of it, in words and as plain content
    table      every candidate, recording and joint as one Parquet file
    save       the chosen limits as a limits file

Every short cut (pyramid, integral, image, still, shared) is allowed because a property test says
that it equals the plain evaluation of replay/excursions.py, to the nanosecond.
"""
