"""Sends alerts to people: a webhook, a command, whatever the apprise library reaches.

settings    the notification file: who gets what (never part of a recording: it may hold secrets)
message     the message, as a sentence and as JSON
outbox      messages that wait, as files in a folder: they survive a restart
transports  delivers one message, or returns why it was not delivered
notifier    a thread per target: in order, retried with growing pauses; the recorder never waits
"""
