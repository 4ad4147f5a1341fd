"""The cycles of a recording: found from its readings, with their figures.

    faults       why no cycles can be told of a recording, one kind each
    read_cycles  from a recording to its cycles: the one way in
    cycle_table  many cycles as columns, their counts and their text as CSV
    words        what is told of cycles in words
    cli          `dutytrace cycles`

`read_cycles` reads recordings; the cycles themselves are found by `logger.campaign`, as they would
be while the recording grows.
"""
