"""The commands of the logger: parse, call one function, show its result.

aligned   rows of text in aligned columns
"""
