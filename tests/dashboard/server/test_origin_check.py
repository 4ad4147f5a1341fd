"""Whom the guard lets through: names, addresses and origins of this server, and no others."""

import pytest

from dashboard.server.origin_check import OriginPolicy, is_origin

HERE = OriginPolicy(port=8050)
LAB = OriginPolicy(port=8050, names=["bench.lab", "Bench"], to_others=True)
BEHIND = OriginPolicy(port=8050, origin="https://duty.example.org")


@pytest.mark.parametrize(
    ("guard", "host", "known"),
    [
        (HERE, "127.0.0.1:8050", True),
        (HERE, "localhost", True),
        (HERE, "[::1]:8050", True),
        (HERE, "127.0.0.1:8051", False),
        (HERE, "192.168.1.5:8050", False),
        (HERE, "evil.example:8050", False),
        (HERE, "", False),
        (HERE, "127.0.0.1:x", False),
        (HERE, "127.0.0.1@evil.example", False),
        (HERE, "127.0.0.1:8050/x", False),
        (LAB, "192.168.1.5:8050", True),
        (LAB, "[fe80::1]:8050", True),
        (LAB, "BENCH.lab:8050", True),
        (LAB, "bench:8050", True),
        (LAB, "bench.lab:9", False),
        (LAB, "evil.example:8050", False),
        (LAB, "192.168.1.5.evil.example:8050", False),
        (BEHIND, "duty.example.org", True),
        (BEHIND, "duty.example.org:443", True),
        (BEHIND, "127.0.0.1:8050", True),
        (BEHIND, "other.example.org", False),
    ],
)
def test_hosts(guard: OriginPolicy, host: str, known: bool):  # noqa: FBT001
    """A name that was rebound to this machine's address is not one of its names."""
    assert guard.is_own_host(host) is known


@pytest.mark.parametrize(
    ("guard", "origin", "host", "own"),
    [
        (HERE, "http://127.0.0.1:8050", "127.0.0.1:8050", True),
        (HERE, "http://localhost:8050", "127.0.0.1:8050", True),
        (HERE, "https://127.0.0.1:8050", "127.0.0.1:8050", False),
        (HERE, "http://127.0.0.1:8051", "127.0.0.1:8050", False),
        (HERE, "http://127.0.0.1", "127.0.0.1:8050", False),
        (HERE, "null", "127.0.0.1:8050", False),
        (HERE, "", "127.0.0.1:8050", False),
        (HERE, "http://evil.example:8050", "127.0.0.1:8050", False),
        (LAB, "http://192.168.1.5:8050", "192.168.1.5:8050", True),
        (LAB, "http://192.168.1.9:8050", "192.168.1.5:8050", False),
        (LAB, "http://localhost:8050", "192.168.1.5:8050", False),
        (LAB, "http://bench.lab:8050", "bench.lab:8050", True),
        (LAB, "http://bench.lab:8050", "192.168.1.5:8050", False),
        (BEHIND, "https://duty.example.org", "duty.example.org", True),
        (BEHIND, "https://duty.example.org", "127.0.0.1:8050", True),
        (BEHIND, "http://duty.example.org", "duty.example.org", False),
        (BEHIND, "https://duty.example.org.evil.example", "duty.example.org", False),
    ],
)
def test_origins(guard: OriginPolicy, origin: str, host: str, own: bool):  # noqa: FBT001
    """An address of another machine is an address too: it has to be the one that is asked."""
    assert guard.is_own_origin(origin, host) is own


def test_what_a_proxy_shows():
    """Scheme and name, with a port or without; no path, no user, no other scheme."""
    assert is_origin("https://bench.lab")
    assert is_origin("http://10.0.0.2:8080")
    for text in ("bench.lab", "https://", "https://x/y", "ftp://x", "https://u@x", "https://x:y"):
        assert not is_origin(text), text
