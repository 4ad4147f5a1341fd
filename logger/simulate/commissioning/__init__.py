"""A bench that does not exist: one geared joint, measured from the first turn to the hot ceiling.

    geared_joint   the joint: motor, gear with play and two stiffnesses, friction, drive, heat
    dynamics       its motion in steps of half a millisecond, and the drive that holds it
    mounting       what its output is mounted to: nothing, an arm, a clamp, a scale
    instruments    what a person reads off: a ruler and a scale with divisions
    programme      what is done, scene after scene, as a controller and a person would do it
    bench_run      the programme in time: state, frames, readings
    bench_line     the same in real time on the serial line
    bench_files    the bench, layout and limits files

Flow: programme -> dynamics on a mounting -> bench_run -> frames and readings. Pure but for
`bench_line` and the files. Every figure of the joint is its truth: what the measurements find can
be held against it.
"""
