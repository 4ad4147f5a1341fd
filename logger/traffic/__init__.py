"""Pure: statistics and diagnosis of a bus. Opens nothing; the same live and from a recording.

per_second        the traffic of a bus, second by second
bus_statistics    the statistics of a bus over some seconds
cadence           the senders, with period and jitter, and frames repeated without a pause
frame_length      how many bits a frame takes on the wire: the bus load
error_classes     what error frames mean, in words
response_tracker  which requests were answered, which joint stopped answering
diagnosis         what such statistics mean, in sentences
live_diagnosis    the same while recording, each sentence once
health            is a bus healthy: statistics and diagnosis
"""
