"""The layout of an unknown drive, proposed from its traffic and four simple actions. Pure.

    traffic         what the finder is given: frames, marks of the steps, typed numbers
    bits            bits of payloads as columns, and fields of bits as numbers
    checksum        the byte that follows from the others: XOR, sum, CRC-8
    checksum_pool   checksums of all frames of a bus: what some tell of the others
    counter         fields that go on by the same step with every frame
    multiplexer     the field that tells the kinds of frames of one identifier apart
    multiplexer_place  the likeliest of several fields that part the frames alike
    field_cost      bits that it takes to write a number down
    cuts            the cheapest way to cut a frame into fields
    borders         where one field ends and the next begins: the shortest description
    number_form     how bits are read as a number: sign, offset, sign and magnitude, float
    signals         from frames to signals: all of the above in turn
    motion          position, and marks corrected by when it moved
    speed           speed: the derivative of the position, its scale from its integral
    load            current and torque: a known weight on a known arm, and friction
    joint_values    positions, speeds and loads among signals, and whose they are
    pieces          values left in pieces, put together by how the joint moved
    slow_values     temperatures, voltages, counts of time
    still_pieces    upper bits that never changed and lie elsewhere
    slow_customs    what the slow values of a drive tell of each other
    slow_proposals  proposals for what does not move with the joint
    certainty       from evidence to probabilities
    calibration     how often what the rules say is right
    proposal        what is proposed, and what stays undecided
    undecided       what the four steps cannot decide
    find_layout     all of it: `propose_layout`

Kept together: one computation from frames to a proposal; each module is one step of it.
"""
