"""The readers: parts and growing journal as one. They never write.

reader         the rows of every stream
journal_tail   rows that no part holds yet, as the journals grow
event_rows     the events: those that came added to those known
joint_pyramid  which parts of a joint's pyramid can be read, and which rows they cover
missing_rows   what is known to be missing, in sentences
raw_frames     the raw frames of a finished recording, part by part
salvage        the rows of a stream chunk by chunk, and what of them cannot be read
"""
