"""The writers: journal first, then parts.

journal        rows that are not sealed yet: framed, checksummed record batches
row_buffer     rows that are not in a part yet: common to both writers
live_writer    the writer of a live recording
bulk_writer    the writer of a recording made from files: whole or not at all
sealer         rows into parts, and the pyramid with them
inbox          requests from pages and commands, as files that wait for the writer
disk_forecast  how long the free space of the disk lasts
"""
