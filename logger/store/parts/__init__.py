"""Sealed Parquet parts, named by their range of rows.

part        one part: footer, row groups, columns
checksums   checksums over every byte that Parquet leaves unguarded
"""
