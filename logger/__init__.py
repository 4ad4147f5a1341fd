"""The logger: from frames on a bus to a recording folder. Knows nothing of replay or dashboard.

    errors         the error tree, and the fields that a message is made of
    settings_file  TOML -> validated model, with errors that name file, key, found and expected
    outside_text   files and texts from outside: kind of file, size, depth and digits bounded
    arrays         the array types that all rooms use; time in whole nanoseconds
    crc8           the table of a CRC-8
    event_kind     every kind of event, and what each means
    memory         what was freed goes back to the system
    cancellation   stops long work from outside
    time_chunks    a span of time in chunks, so that each read is bounded
    joint/         pure: what a joint reports and what it means
    heat/          pure: a joint's heat while it is recorded, and where it goes
    limits/        pure: when to raise an alert
    findings/      pure: what was found out about a joint, with its uncertainty
    campaign/      pure: the plan of an endurance campaign, cycles and their figures
    traffic/       pure: statistics and diagnosis of a bus
    layout_finder/  pure: a layout proposed from traffic and four actions
    bus/           I/O: python-can
    store/         I/O: the recording folder; the only code that knows its files
    notify/        I/O: sends alerts to people; the recorder never waits for it
    recording/     the live loop: receive, decode, evaluate limits, store
    importing/     frames and values from files instead of a bus
    layout_tools/  helps to write a layout: from a bus description file, from a preview
    simulate/      joints that do not exist, for demos and tests
    cli/           the commands of these rooms

Imports run downwards only: cli -> importing, layout_tools, simulate -> recording -> notify
-> bus, store -> limits, traffic, findings, campaign, layout_finder -> heat -> joint; the modules
directly in here are below all of them.
"""
