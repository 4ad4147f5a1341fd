"""Kinds of events: one list, a sentence for each, and room for those of later recorders."""

import pickle

from logger.event_kind import EVENT_KIND_MEANINGS, EventKind


def test_every_kind_says_what_it_tells():
    """One sentence each, none forgotten."""
    assert set(EVENT_KIND_MEANINGS) == set(EventKind)
    assert all(meaning.endswith(".") for meaning in EVENT_KIND_MEANINGS.values())


def test_a_kind_of_a_later_recorder_keeps_its_text():
    """It is read, shown and handed between processes as it stands, and is none that is known."""
    kind = EventKind("brake worn")
    assert (str(kind), kind.capitalize(), kind.is_known) == ("brake worn", "Brake worn", False)
    assert kind not in set(EventKind)
    again = pickle.loads(pickle.dumps(kind))
    assert again == kind
    assert EventKind("note") is EventKind.NOTE
    assert EventKind.NOTE.is_known
