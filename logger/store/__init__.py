"""I/O: the recording folder; the only code that knows its files.

    files       names within a recording; how a file is put there whole or not at all
    address     where a recording lies: a folder here, or an address that fsspec opens
    schema      the columns of every stream
    manifest    recording.json
    lock        live.lock: one writer
    journal     what is not sealed yet: framed, checksummed record batches
    parts       sealed Parquet parts, named by their range of rows
    kept        the newest of what was read, up to so many bytes
    sums        checksums of a part, over every byte that Parquet leaves unguarded
    overview    the pyramid's first level, and how it grows part by part
    levels      its upper levels: eight parts become one with wider buckets
    fine        its finest level: tenths of a second, for joints that report fast
    events      alerts and their life, notes, gaps: one event, one row
    request     what can be asked of the one writer, and the event that it becomes
    inbox       requests from pages and commands, as files that wait for it
    sealing     rows into parts, and the overview along with them
    waiting     rows that are not in a part yet: what both writers have in common
    write       the writer: journal first, then parts
    bulk        the writer of what comes from a file: whole or not there at all
    pieces      the rows of a stream piece by piece, and what of them cannot be read
    cut         a span of a recording as a recording of its own
    cut_events  what a cut says: its events, and those of alerts that stand where it begins
    pack        a finished recording as one file to send
    unpack      the way back: whole and checked, or not at all
    raw         the raw frames of a finished recording, part by part
    joining     a sensor that joins a finished recording by its time
    room        how long the disk lasts
    read        the reader: parts and growing journal as one; it never writes
    growing     a reader of a recording that still grows, cheap to ask and to keep
    seal        what a crash left, made into parts; nothing that was written is thrown away
    rebuild     overviews that are missing or damaged, made anew from their rows

Order of a row's life: journal (flushed every 50 ms, synced every second), part (written aside,
synced, renamed, folder synced), and only then is the journal removed.
"""
