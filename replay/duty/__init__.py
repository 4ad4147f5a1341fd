"""The load of a joint as it was: what it carried, how near to what it holds, in which duty.

From a recording to an account, in this order:

    faults        why nothing can be said of a load, one kind each
    held_steps    readings as steps of load and speed
    read_load     the load as a recording has it
    rms_windows   the highest RMS over windows of every length
    rainflow      cycles by ASTM E1049-85, counted as they come in
    load_map      share of the time by load and speed; mechanical work
    cycle_search  the period of a course, and its drift
    find_cycles   the cycles of a recorded load
    duty_type     S1, S2, S3, S6 of IEC 60034-1, and why
    allowed       what the fitted joint holds for as long
    result        everything that is told, typed
    evaluate      from a recording to a result: the one way in
    model         the joint that a load is held against
    sentence      the one sentence to copy, in parts
    words         rows and notes of a result
    cli           `dutytrace duty`

Pure but for `read_load`, `find_cycles`, `evaluate` and `model`, which read recordings.

Kept together: each step of one evaluation, in the order in which it is made.
"""
