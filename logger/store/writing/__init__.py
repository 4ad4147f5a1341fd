"""The writers: journal first, then parts.

row_writer       rows are taken and numbered by stream: common to both writers
journal          rows that are not sealed yet: framed, checksummed record batches
live_writer      the writer of a live recording
flush_policy     how often it flushes, syncs and seals
disk_thread      a thread for what waits for the disk
part_maker       has parts made of the journals of a live recording, in a process of its own
seal_process     that process
journal_sealing  parts of journals: while recording, at the end, after a crash
write_faults     the sentences with which a live recording ends when it cannot be written
bulk_writer      the writer of a recording made from files: whole or not at all
sealer           rows into parts, and the pyramid with them
finding_files    the findings of a recording, each a file of its own
attachment_files  files that belong to a recording, their bytes once under their checksum
request_files    what a request leaves beside the rows
inbox            requests from pages and commands, as files that wait for the writer
frame_parts      parts of raw frames that a keep rule lets go
disk_forecast    how long the free space of the disk lasts

Kept together: two writers, and what both leave beside their rows in files of its own.
"""
