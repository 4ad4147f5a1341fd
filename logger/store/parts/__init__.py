"""Sealed Parquet parts, named by their range of rows.

part         one part: found by time, read by row groups and columns
part_file    the bytes of one part: footer and column chunks, each verified before it is parsed
part_writer  writes a part: row groups, encodings, checksums
joined       copies of many small parts as one, of streams that are read whole
checksums    checksums over every byte that Parquet itself leaves unguarded
identity     whose a part is: recording, stream and rows, stated in its footer
"""
