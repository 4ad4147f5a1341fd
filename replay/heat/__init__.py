"""What a joint's heat is, fitted to recordings, and what the joint can hold.

From a recording to answers, in this order:

    faults      why nothing can be said of a joint's heat, one kind each
    trace       what a fit is given: load in steps, counts of temperature
    dated_ambient  readings of the room that were typed with their times
    bins        a recording as such a trace
    counts      how likely a count is, for a temperature and a noise
    wander      how little many fine readings tell together
    drift       how the ambient may have drifted
    model       the parameters of a model as they are fitted: logarithms
    dated_change  what may change at an instant, and the joint after it
    starts      what is known before it of where a segment begins
    trace_response  the exact steps of a trace, of several sets of parameters at once
    response    temperatures as a linear function of starts and ambient
    problem     the posterior of one trace and one model
    scoring     Fisher scoring: the search of a maximum
    one_load    whether a trace has but one load
    search      the likeliest parameters, from several starts
    quantity    a result with its 95 % interval, and whether the trace knows it
    intervals   the interval of anything that follows from the parameters
    fitted_quantities  what a fit tells in numbers, and what is not known
    prediction  readings where nothing was fitted, with their uncertainty
    found_change  a change that was found, and its rivals
    change_hypothesis  changes at their best parameters, and how likely they are
    change      what changed on the way, when, and by how much
    neighbours  joints nearby that warm this one
    choice      the model that predicts what it has not seen
    lag_choice  whether a temperature sensor lags behind its node
    answers     what the fitted joint bears, with bands
    peak_load   loads beyond which heat alone says too little
    result      everything that is told, typed
    fit         from recordings to a fitted joint
    known_peaks  those loads, from claims, limits, kept ceilings and recordings
    evaluate    from recordings to a result: the one way in
    bench_model  a fitted joint written into its bench file, in place
    kept_model  a fitted joint kept in a finding, and taken from it in place of a fit
    typed_ambient  what a person types for the ambient
    options     which joint a person means
    text        numbers as text
    sentence    the one sentence to copy, in parts
    borne_words  what is borne as rows: for ever, and for a time
    finding     a result as a finding, to be kept
    words       rows and notes of a result
    planning/   what a fitted joint would do under a planned motion; limits that protect it
    cli         `dutytrace heat`

Pure but for `bins`, `fit`, `known_peaks` and `evaluate`, which read recordings.

Kept together: each step of one evaluation, in the order in which it is made.
"""
