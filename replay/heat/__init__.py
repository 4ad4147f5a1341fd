"""What a joint's heat is, fitted to recordings, and what the joint can hold.

From a recording to answers, in this order:

    faults      why nothing can be said of a joint's heat, one kind each
    trace       what a fit is given: load in steps, counts of temperature
    bins        a recording as such a trace
    counts      how likely a count is, for a temperature and a noise
    drift       how the ambient may have drifted
    model       which model is fitted, and its parameters
    response    temperatures as a linear function of starts and ambient
    problem     the posterior of one trace and one model
    scoring     Fisher scoring: the search of a maximum
    search      the likeliest parameters, from several starts

Pure but for `bins`, which reads a recording.
"""
