"""Pure: a batch of frames to readings, vectorised.

decode            frame batch -> readings
decode_plan       the plan of decoding a bench: made once
decode_state      the state of decoding between two batches
dispatch          which joint, and which kind, a frame belongs to
bit_fields        bits to whole numbers to quantities
raw_values        one value at any position of a payload
joint_rows        the rows of a batch by joint, each joint's in order of time
joint_texts       what joints report in words within a batch
unwrap            single-turn encoder -> continuous angle, in segments
encoder_position  the position of a joint from its encoder's counts
steady_turns      the turns of several joints at once, where none can have been lost
found_turns       turns that were lost, found again by the set-points that a joint follows
turn_memory       what is remembered of a joint, by which they are found
text_codes        codes in words, where they change
loopback          responses that look like their request
resistance        Pt100 and NTC: from ohm to degrees

Kept together: each step of one pass over a batch, in the order in which frames take them.
"""
