"""The recorder's commands: parse, build settings, call one function, show what it returned.

    options          types of options: durations, instants, pairs, recording folders
    line_printer     lines printed by a thread of their own, for a terminal that may be held
    terminal         lines, tables, JSON, progress, live redraw, signals
    simulate         demo, simulate
    record           record
    importing        import, redecode
    tables           join, and import of a table
    recording_tools  seal, cut, pack
    decode           decode
    bus              bus
    layout           layout from, layout try
    layout_find      layout find, layout confirm
    limits           limits check, limits example
    plan             plan check

A command is a function that typer reads; `dutytrace.py` names the commands and their order.
Commands that read recordings back are in `replay.cli`, those that show pages in `dashboard.cli`.
Heavy imports are inside the commands, so that `--help` answers at once. The results carry their own
JSON (`to_json()`); the lines for people are written here.
"""
