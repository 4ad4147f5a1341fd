"""Pure: one frame explained, for people who write or check a layout.

explain    one frame, byte by byte
no_match   why a frame is of no joint, and what comes nearest
trial      a layout tried on frames
typed      a frame as a person types or pastes it
"""
