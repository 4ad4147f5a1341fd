"""Sealed Parquet parts, named by their range of rows.

part        one part: footer, row groups, columns
part_file  the bytes of one part: footer and column chunks, each checked before it is parsed
part_writer  how a part is written
checksums   checksums over every byte that Parquet leaves unguarded
"""
