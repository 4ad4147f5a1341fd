"""The pyramid: statistics of buckets of time, so that any zoom is fast and no extreme is lost.

seconds   the first level, and how it grows part by part
tenths    the finest level, for joints that report fast
upper     upper levels: eight parts become one with wider buckets
"""
