"""Pure: a batch of frames to readings, vectorised.

decode            frame batch -> readings
decode_plan       the plan of decoding a bench: made once
decode_state      the state of decoding between two batches
dispatch          which joint, and which kind, a frame belongs to
bit_fields        bits to whole numbers to quantities
unwrap            single-turn encoder -> continuous angle, in segments
encoder_position  the position of a joint from its encoder's counts
found_turns       turns that were lost, found again by the set-points that a joint follows
turn_memory       what is remembered of a joint, by which they are found
text_codes        codes in words, where they change
loopback          responses that look like their request
resistance        Pt100 and NTC: from ohm to degrees
"""
