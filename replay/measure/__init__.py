"""Measurements on the bench: what a person reads off and a recording shows, with its uncertainty.

    procedure   what a kind of measurement asks for: readings, spans, cautions, steps
    procedures/  the kinds, each with these
    reading     a typed reading: value, unit, how sure it is, what it was read at
    setup       what an evaluation is given: readings, spans as arrays, the joint's settings
    evidence    spans of recordings as such arrays
    noted_spans  spans that notes of a recording name
    interval    parts of an uncertainty, combined, and intervals of 95 %
    rounding    what readings tell that are only known to their division
    line        a straight line by least squares
    result      quantities with their uncertainty, and what they rest on
    kinds/      the evaluations, one module a kind
    evaluate    from a kind, readings and spans to a result: the one way in
    plan        a programme for a new joint
    programme   the same for a joint that is recorded, with what is answered already
    readiness/  what a recording answers already, and how much more it takes
    take_over   torque per ampere into a bench file
    progress    how far the steps of a measurement have come
    watch       what has to keep right meanwhile: pace, clamp, warmth, standing
    finding     a result as a finding, to be kept
    keep        keeps it in its recording
    sentence    a result in words
    cli         `dutytrace measure KIND`

Pure but for `evidence` and `evaluate`, which read recordings, `keep`, which writes a finding into
one, and `take_over`, which writes a bench file. Nothing here moves a joint.

Kept together: one evaluation from what is typed to what is said, in this order.
"""
