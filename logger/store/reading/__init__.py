"""The readers: parts and growing journal as one. They never write.

reader         one recording: what is new, events, pyramids, what is missing
stream_rows    the rows of every stream, of parts and tail
change_stamps  which folders have changed since they were listed
journal_tail   rows that no part holds yet, as the journals grow
cut_short      what an end that no recorder wrote may have cost
event_rows     the events, new ones added to those already read
findings       the findings of a recording, and those that cannot be read
attachments    the files that were attached, and those that are gone
joint_pyramid  which parts of a joint's pyramid can be read, and which rows they cover
missing_rows   what is known to be missing, in sentences
raw_frames     the raw frames of a finished recording, part by part
salvage        the rows of a stream chunk by chunk, and which of them cannot be read
"""
