"""What Bus shows of one recording.

routes   the routes that the page reads from
view     what is shown of its buses
senders  who sent in a span, as the rows of a table
"""
