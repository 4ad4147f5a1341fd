"""Pure: when to speak up, and what becomes of it. No clock, bus or global.

    limit        limits.toml -> checked limits, and their check against a bench
    words        a limit and its changes in plain words
    change       one limit that was raised or has returned
    level        a channel beyond a level: hysteresis, on-delay, off-delay
    silence      a joint that says nothing
    curves       inverse-time and thermal curves: how long a current may last
    curve_table  one such curve as rows, to hold beside a handbook
    recorder     what the recorder watches about itself: lost frames, a full disk
    evaluate     all limits of one joint over readings, in any chunking
    nuisance     alerts that chatter or stand for days, named
    lifecycle    what became of each alert: one fold over the events

A new kind of limit is a model in limit.py, a file beside level.py with its state and its step, one
line in evaluate.py and one sentence in words.py.
"""
