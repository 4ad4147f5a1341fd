"""Pure: a batch of frames to readings, vectorised.

decode            frame batch -> readings
decode_plan       the plan of decoding a bench: made once
decode_state      the state of decoding between two batches
dispatch          which joint, and which kind, a frame belongs to
checksums         frames that were damaged
lost_frames       frames that are missing, by the counters that others carry
frame_faults      what both found in a batch
joint_rows        the rows of a batch: its frames by joint
bit_fields        bits to whole numbers to quantities, of all frames at once
raw_values        one value at any position of a payload
unwrap            single-turn encoder -> continuous angle, in segments
encoder_position  the position of a joint from its encoder's counts
steady_turns      the same for all joints at once, where no turn can have been lost
found_turns       turns that were lost, found again by the set-points that a joint follows
turn_memory       what is remembered of a joint, by which they are found
text_codes        codes in words, where they change
joint_texts       which joints of a batch have something to report in words
loopback          responses that look like their request
resistance        Pt100 and NTC: from ohm to degrees

Kept together: a batch passes through all of it as one matrix, from the frames to the turns; apart,
each half would hand the other its rows, kinds and states.
"""
