"""Takes in: from frames on a bus to a recording folder. Knows nothing of replay or dashboard.

    errors          the error tree; every message that a user reads starts there
    settings_file   TOML -> checked model, with errors that name file, key, found and expected
    aligned         rows of words in aligned columns
    joint/          pure: what a joint says and what it means
    limits/         pure: when to speak up
    bus/            I/O: python-can
    store/          I/O: the recording folder; the only code that knows its files
    tell/           I/O: tells somebody of alerts; the recorder never waits
    simulate/       joints that do not exist, for demos and tests
    take_up         what a recording that is gone on with starts from
    warm_start      how warm thermal images are when a recording is gone on with
    pipe            from the receiving threads to the writer
    derived         what is computed live, every second: RMS torque, frames a second
    limits_file     a limits file that may change while it is in force
    outspoken       what joints say in words, no more of it than a person can read
    intake          frames in, rows and events out: the same for a bus, a log and a simulation
    asking          the writer's side of asking: what was answered, and what is told of it
    stopping        the writer's side of stop frames: ordered on a trip, watched, told
    record          the loop: bus -> intake
    bring_in        frames that come from somewhere else than a bus
    ahead           batches fetched beforehand by a thread of their own
    log_frames      the frames of a log that python-can reads
    log_reading     a log file as columns, whatever its format
    log_columns     messages of python-can as columns
    log_lines       the lines of a text log, many at a time
    log_channels    which channel of a log is which bus
    trace_rows      a table of values with times, as readings of a sensor
    fared           how the recorder of a finished recording fared
    layout_from     a layout from a bus description file
    trying          a layout tried on real traffic while it is being edited
    redecode        a recording decoded again from its raw frames

Imports run downwards only: record, bring_in, redecode -> intake -> bus, store, limits -> joint;
errors and settings_file lie under all of them.
"""
