"""Pure: when to speak up, and what becomes of it. No clock, bus or global.

    limit        limits.toml -> checked limits, and their check against a bench
    edited       a limits file with other limits in it, its comments kept
    words        a limit and its changes in plain words
    change       one limit that was raised or has returned
    kind         what all kinds have in common
    level        a channel beyond a level, outside of two, beyond a share of its rated value
    inverse_time the higher a current, the shorter it may last
    thermal      how warm a current has made what carries it
    rate         a channel that rises too fast
    tracking     a channel far from its set-point
    frozen       a reading that does not move although there is load
    touch        a surface too hot to touch
    silence      a joint that says nothing
    series       the values of each channel of a batch, found once
    hysteresis   pick-up, drop-off and delays over the scores of any kind
    curves       inverse-time and thermal curves: how long a current may last
    curve_table  one such curve as rows, to hold beside a handbook
    bus          limits on the recorder itself: its buses, losses, its disk
    lines        where a limit has a level in its channel's unit, to be drawn
    explained    what each limit of a file will do on a bench
    recorder     what the recorder watches about itself, once a second
    evaluate     all limits of one joint over readings, in any chunking
    nuisance     alerts that chatter or stand for days, named
    lifecycle    what became of each alert: one fold over the events

A new kind of limit is a file beside level.py with its model, its memory and its measure, a line in
limit.py, one in evaluate.py and its phrases in words.py. For the Limits page also: what of a
second stands for it in replay/exploring/approximate.py, its words in dashboard/limits/forms.py.
"""
