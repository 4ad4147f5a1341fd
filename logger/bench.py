"""Moved to logger.joint.bench; kept only until every import says so."""

from logger.joint.bench import *  # noqa: F403
