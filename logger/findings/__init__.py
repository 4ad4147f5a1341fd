"""What was found out about a joint: one result of one evaluation, with its uncertainty. Pure.

    finding        the value itself: quantities, method, spans, what a person typed in
    finding_text   a finding as JSON and back, with format number and checksum
    uncertainty    parts of uncertainty combined by source; 95 % intervals of a quantity

A finding is written once, into the recording that it was made from, by `keep_finding` of
`logger.store.repair.keep_finding`; a better one replaces it and says which. Read by
`Recording.read_findings` of `replay.recording`.
"""
