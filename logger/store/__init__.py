"""I/O: the recording folder; the only code that knows its files.

    layout/    which file is where, its schema, its lock
    parts/     sealed Parquet parts and their checksums
    pyramid/   figures of seconds, tenths and wider buckets beside the rows
    writing/   the writers: journal first, then parts
    reading/   the readers: parts and growing journal as one; they never write
    repair/    what a crash left, sealed; requests without a recorder
    tools/     cut, pack, unpack, add a sensor

Order of a row's life: journal (flushed every 50 ms, synced every second), part (written aside,
synced, renamed, folder synced), and only then is the journal removed.
"""
