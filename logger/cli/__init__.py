"""The recorder's commands: parse, build settings, call one function, show what it returned.

    options          what options are made of: durations, instants, pairs, recording folders
    terminal         lines, tables, JSON, progress, live redraw, signals
    simulate         demo, simulate
    record           record
    importing        import, join, redecode
    recording_tools  seal, cut, pack
    decode           decode
    bus              bus
    layout           layout from, layout try
    limits           limits check, limits example

A command is a function that typer reads; `dutytrace.py` names them and puts them in order. What
reads recordings back stands in `replay.cli`, what shows pages in `dashboard.cli`. Heavy imports
stand inside the commands, so that `--help` answers at once. The results carry their own JSON
(`to_json()`); the words are written here.
"""
