"""The evaluations of measurements, one module a kind: pure functions of a `BenchSetup`.

backlash       the play, from what there is
tip_backlash   the play from an arm's tip
tip_expectation  how narrow that can get
loop_backlash  the play from loops of torque
loop_model     the loop that a gear with play draws, and its fit
loop_shape     what is read off a loop without a model
torque         torque per ampere from levels of a scale
load_branches  which levels lie on which branch, and their lines
scale          from what a scale reads to torque
value          anything that is read off
"""
