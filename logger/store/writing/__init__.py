"""The writers: journal first, then parts.

journal        what is not sealed yet: framed, checksummed record batches
row_buffer     rows that are not in a part yet: common to both writers
live_writer    the writer of a live recording
bulk_writer    the writer of what comes from a file: whole or not at all
sealer         rows into parts, and the pyramid along with them
inbox          requests from pages and commands, as files that wait for the writer
disk_forecast  how long the disk lasts
"""
