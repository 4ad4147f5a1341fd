"""Frames and values from files: logs, tables, recordings that are decoded again.

import_frames     frames from a file or a simulation into a recording, whole or not at all
redecode          a recording decoded again from its raw frames
recorded_health   the health of a finished recording's recorder, from its health stream
prefetch          batches read ahead by a thread of its own
log_frames        the frames of a log that python-can reads
log_reader        a log file as columns, whatever its format
log_blocks        whole lines of a text log, a block at a time
text_log          the lines of SocketCAN's text log, many at a time
csv_log           the lines of python-can's CSV log, many at a time
asc_log           the lines of an `.asc` log, many at a time
blf_log           runs of plain frames of a `.blf` log, many at a time
log_stamps        when a frame of a log was, exact to what the log holds
message_batch     messages of python-can as columns
channel_map       which channel of a log is which bus
tables/           values from a table, as a recording or as a sensor of one
"""
