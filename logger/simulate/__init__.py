"""Joints that do not exist: an invented harvesting arm, for demos and tests.

    scenario/       the demo's bench and limits files
    arm             the two joints: mechanics, drive, heat
    cycle           the duty cycle and its payloads
    motion          dynamics at 1 kHz, many cycles side by side
    warming         winding, housing, drive electronics, and the fan
    endurance       runs of cycles: motion and temperatures together
    sampling        what sensors and drive would report at given times
    encode          channels -> payload bytes, for any layout
    offline         a long test in simulated time -> frames
    line_protocol   the serial-line CAN protocol, adapter's side
    serial_line     the pseudo-terminal
    live            the joints in real time on that line
    demo_bench      the demo's bench file, with the models of its joints
    demo            the demo: three processes, started and ended together
    commissioning/  one geared joint on a bench, measured scene by scene

Flow: cycle -> motion -> warming -> endurance -> sampling -> encode -> offline or live. Everything
before the last two is pure and deterministic from a seed. Start the joints as a process of their
own with `python -m logger.simulate --link PATH --seed N`.
"""
