"""Repairs what a crash left; nothing that was written is thrown away.

recovery         the journals of a crash into parts, requests that wait into events
rebuild_pyramid  parts of the pyramid that are missing or damaged, computed again from their rows
keep_finding     a finding into a recording, live or finished
attach_file      a file attached to a recording, live or finished
torn_beginning   what a recorder left that began and had nothing yet
post_request     requests for events, with or without a recorder
"""
