"""What Bus shows of one recording.

routes          the routes that the page reads from
view            what is shown of its buses, as JSON
history_figure  their load, frames and faults over time
senders         who sent in a span, as the rows of a table
"""
