"""Pure: when to raise an alert, and what becomes of it. No clock, bus or global.

    kinds/          every kind of limit, one file each, and the list of them
    kind            the interface of every kind of limit
    scored_limit    a limit on readings: a score of each, of which more is worse
    channel_limit   a limit on the values of one channel
    heat_limit      a limit on what the model of a joint's heat tells
    recorder_limit  a limit on the recorder itself
    scores          the scores of a limit, and its state between two batches
    thresholds      when a reading is at a level: the numbers that scores are compared with
    levels          levels as figures need them: lines, and handles that drag a key
    limit_lines     where a limit has a level in its channel's unit, to be drawn
    phrases         the words of limits; numbers in the units that pages show
    limit           limits.toml -> checked limits, and their check against a bench
    limits_text     a limits file with other limits in it, its comments kept
    words           a limit and its changes in plain words
    limit_change    one limit that was raised or has returned, is not judged or is again
    series          the values of each channel of a batch, found once
    hysteresis      pick-up, drop-off and delays over the scores of any kind
    gaps            which gaps are bridged, and when a limit is not judged
    curves          inverse-time and thermal curves: how long a current may last
    thermal_image   how warm a current has made a conductor, reading by reading
    curve_table     one such curve as rows, to compare with a handbook
    describe        what each limit of a file will do on a bench
    recorder        what the recorder watches about itself, once a second
    evaluate        all limits of one joint over readings, in any chunking
    deferral        the same, but readings that can change nothing wait for others
    nuisance        alerts that chatter or are active for days
    lifecycle       the life of each alert: one fold over the events

A new kind of limit is a file in kinds/, its place in the list there, and a test.

Kept together: evaluation, words and life of an alert all go through `kind`, and what would be
rooms of their own (words, levels, life) would have two or three files each.
"""
