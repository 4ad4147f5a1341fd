"""What a crash left, made whole; nothing that was written is thrown away.

recovery         the journal of a crash into parts
rebuild_pyramid  pyramid parts that are missing or damaged, computed again from their rows
post_request     requests for events, whether or not a recorder writes them
"""
