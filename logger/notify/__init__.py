"""Sends alerts to people: a webhook, a command, whatever the apprise library reaches.

settings    the notification file: who gets what (never part of a recording: it may hold secrets)
message     the message, as a sentence and as JSON
outbox      messages that wait, as files in a folder: they survive a restart
transports  how one message is delivered, and why it was not
notifier    a thread per target: in order, again with growing pauses; the recorder never waits
"""
