"""Tells somebody of alerts: a webhook, a command, whatever the apprise library reaches.

settings   the tell file: whom, of what (never part of a recording: it may hold secrets)
message    what is told, as a sentence and as JSON
outbox     messages that wait, as files in a folder: they survive a restart
ways       how one message is delivered, and why it was not
teller     a thread for each: in order, again with growing pauses; the recorder never waits
"""
