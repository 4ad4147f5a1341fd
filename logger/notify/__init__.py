"""Sends alerts to people: a webhook, a command, whatever the apprise library reaches.

settings         the notification file: who gets what (never in a recording: it may hold secrets)
message          the message, as a sentence and as JSON
outbox           messages that wait, as files in a folder: they survive a restart
transports       delivers one message, or returns why it was not delivered
day_verdict      whether a figure changed, told with each day of a campaign
delivery_report  who was told, or could not be told yet, for the recording
notifier         a thread per target: in order, with growing pauses; the recorder never waits
"""
