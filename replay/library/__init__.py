"""What `import dutytrace` gives: recordings as pandas tables, by the code behind the commands.

    recording_tables  one recording, live or finished: readings, envelopes, figures, events
    envelope          a channel in buckets of any width
    checked_names     names of joints and channels, checked against a recording
    cycle_frame       the cycles of a joint, each with its figures
    event_tables      what happened to it: excursions, alerts, events, its buses
    figure_table      the exact figures of a span
    finding_table     what evaluations found out and somebody kept
    recording_list    the recordings in a folder
    spans             instants and spans as somebody states them
    frames            arrays and records as pandas tables, with units

The front door (`dutytrace.py`) names what is public. Needs pandas, which nothing else here does.
"""
