"""The readers: parts and growing journal as one. They never write.

reader       the rows of every stream
live_reader  a reader of a recording that still grows
raw_frames   the raw frames of a finished recording, part by part
salvage      the rows of a stream chunk by chunk, and what of them cannot be read
"""
