"""I/O: the recording folder; the only code that knows its files.

    layout/    which file is where, its schema, its lock
    parts/     sealed Parquet parts and their checksums
    pyramid/   statistics of seconds, tenths and wider buckets, computed from the rows
    writing/   the writers: journal first, then parts
    reading/   the readers: parts and growing journal as one; they never write
    repair/    recovery after a crash; requests without a recorder
    tools/     cut, pack, unpack, add a sensor

A row is written first to the journal (flushed every 20 to 50 ms, synced every second), then to a
part (temporary file, synced, renamed, folder synced), and only then is the journal removed.
"""
