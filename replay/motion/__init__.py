"""The load that one motion takes, at each temperature: what wear changes. Over the cycles found.

    motion   cycles of one motion to quantities by temperature, and the finding that they make
    cli      `dutytrace measure motion`

`motion` is pure. What is kept of several recordings of one specimen the data sheet holds beside
each other: at like temperature, over the hours recorded.
"""
