"""What Replay shows of one recording.

routes          the routes that the page reads from
attachment_routes  the files that were attached: listed, and handed on as downloads
recording_view  what is shown of one recording
recording_list  the list of recordings
excursion_rows  excursions in words, and the lead-up of some of them
alert_order     trips first and chatter last, and where a reader stops
not_judged_rows  which limits could not be judged, and when
attachment_rows  the files that were attached to it
finding_rows    the findings that stand on it, by span
note_rows       its notes, those written afterwards among them
overlay         a second recording laid over it
cut_and_pack    a span cut out as a recording of its own, a recording as one file
limits_token    other limits in an address, so that a link holds what it shows
"""
