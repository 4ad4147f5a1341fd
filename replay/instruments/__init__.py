"""Other instruments beside a recording: how far their clocks are off.

    instrument_mode  what one reading of it is
    reference   what the joint did, as an instrument of a given lag would have shown it
    match       how well the instrument fits it at each offset, drift and lag
    posterior   where offset, drift and lag are likely to be, on a grid that is narrowed
    clock       offset and drift with their intervals, from what both saw
    faults      why a clock cannot be compared, one kind each
    read_clock  from a recording and its sensor to that estimate: the one way in
    words       what is told of it in words
    cli         `dutytrace clock`

`read_clock` reads recordings; reference, match, posterior and clock are arithmetic.
"""
