"""Pure: a batch of frames to readings, vectorised.

decode            frame batch -> readings
decode_plan       how the frames of a bench are decoded: chosen once
decode_state      what decoding carries from one batch to the next
dispatch          which joint, and which kind, a frame belongs to
bit_fields        bits to whole numbers to quantities
unwrap            single-turn encoder -> continuous angle, in segments
encoder_position  the position of a joint from its encoder's counts
text_codes        codes in words, where they change
loopback          responses that look like their request
resistance        Pt100 and NTC: from ohm to degrees
"""
