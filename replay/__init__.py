"""Reads recordings back and computes; never a bus, a recorder or a page.

    recording      one recording, live or finished: what every reader starts from
    recordings_folder  the recordings of a folder, by their manifests alone
    recent         the newest rows and every event of a recording, read once for all callers
    single_flight  work that several threads request at once is done once
    window         any span at any width in pixels: envelopes and lines, no extreme lost
    cycles         whether the cycles of a trace are too narrow to be distinguished in a picture
    statistics     exact time-weighted statistics of a span
    trend          how a joint's temperature changes, from its newest minutes
    forecast       the newest forecast of a joint's temperatures, as its recorder wrote it
    present        the present on a live recording's clock
    alignment      at which time a second recording is laid over a first
    bus_history    the buses second by second and in buckets
    bus_events     events and outages of the buses, and who sent in a short span
    drive_state    the state and fault that each drive reports, in words, and since when
    code_courses   the codes that drives reported over time, folded from events
    flags          which bit of a code, or state, was on when, how often and for what share
    urgency        which joints to look at first, in an order that stays calm
    serials        whether recordings are of one specimen of a joint
    check          whether a recording is complete, and what is missing
    export         a span as one CSV or Parquet file, every row of it
    export_records  its recorded cycles, or the files attached to it, as one table
    export_steps   or the figures of steps of one length
    cli            the commands that read recordings back
    cli_attachments  the command that attaches files and lists them
    cli_readings   the command that adds a reading taken by hand
    cli_findings   the command that lists what evaluations found out
    cli_requests   the commands that ask their writer for an event: note, acknowledge, shelve
    evaluation/    limits evaluated over stored rows, in full and by exact short ways
    excursions/    which limits applied, what they raised, what led up to it
    tuning/        candidate limits scored on recordings, and the choice of one
    heat/          a joint's heat fitted to recordings, and what the joint can hold
    instruments/   other instruments beside it: how far their clocks are off
    duty/          a joint's load as it was, held against what the joint holds
    campaign/      the cycles of a recording and their figures
    sheet/         the measured data sheet: claims, verdicts, trends, specimens beside each other
    motion/        the load that one motion takes, by temperature
    report/        one HTML file of recordings for whoever was not at the bench
    measure/       measurements on the bench: typed readings and spans to values with intervals
    library/       recordings as pandas tables, for those who compute further
    exploring/     limits tried by hand, for the Limits page

Kept together: the modules directly in here are what every page and command reads from a recording.
"""
