"""The evaluations of measurements, one module a kind: pure functions of a `BenchSetup`.

    backlash       the play, from what there is
    tip_backlash   the play from an arm's tip
    tip_expectation  how narrow that can get
    loop_backlash  the play from loops of torque
    loop_angle     its angle: of the motor, less that of a second encoder
    loop_model     the loop that a gear with play draws, and its fit
    loop_shape     what is read off a loop without a model
    torque         torque per ampere from levels of a scale
    load_branches  which levels lie on which branch, and their lines
    scale          from what a scale reads to torque
    free           friction, turned by hand
    friction       friction from passes both ways
    passes         these passes, found and paired
    oscillation    what swings
    swing          its fits
    swing_quantities  frequency, damping and amplitude with their intervals
    ceiling        why less comes than is asked for
    ceiling_causes  what holds a ceiling
    holds          stretches that ask for more than comes
    turns          gear ratio, direction, turns kept
    expectations   how narrow the simple kinds can get
    value          anything that is read off

Kept together: one kind a module, with what only that kind needs beside it.
"""
