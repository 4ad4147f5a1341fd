"""On whose behalf a proxy asks: what a trusted one says itself is believed, and nothing else."""

import time

import pytest
from starlette.datastructures import Headers

from dashboard.server.network_address import TrustedProxies, client_network, is_loopback
from logger.errors import InputError

PROXIES = TrustedProxies(["127.0.0.1", "10.0.0.0/24", "fd00::/64"])


def _client(*lines: tuple[str, str], peer: str = "127.0.0.1", proxies=PROXIES) -> str:
    raw = [(name.encode(), value.encode("latin-1")) for name, value in lines]
    return proxies.find_client(peer, Headers(raw=raw))


def _for(*values: str, **more: str) -> str:
    return _client(*(("x-forwarded-for", value) for value in values), **more)


def _forwarded(*values: str) -> str:
    return _client(*(("forwarded", value) for value in values))


def test_nobody_is_trusted_by_default():
    """Without a trusted proxy the headers are text that anybody may send."""
    lines = (("x-forwarded-for", "192.0.2.1"), ("forwarded", "for=192.0.2.1"))
    assert _client(*lines, proxies=TrustedProxies()) == "127.0.0.1"
    assert _client(*lines, peer="198.51.100.7") == "198.51.100.7"


def test_the_last_address_that_is_no_proxy_counts():
    """What stands before it came from the client, who may write there what it likes."""
    assert _for("192.0.2.1") == "192.0.2.1"
    assert _for("203.0.113.9, 192.0.2.1") == "192.0.2.1"
    assert _for("203.0.113.9, 192.0.2.1, 10.0.0.3") == "192.0.2.1"
    assert _for("203.0.113.9", "192.0.2.1") == "192.0.2.1"
    assert _for("192.0.2.1", peer="10.0.0.7") == "192.0.2.1"
    assert _for("192.0.2.1", peer="::ffff:127.0.0.1") == "192.0.2.1"
    assert _for("10.0.0.4, 10.0.0.3") == "10.0.0.4"


def test_what_is_no_address_ends_the_way_back():
    """Beyond a hop that names nobody, nothing was said by somebody who is trusted."""
    assert _for("192.0.2.1, unknown") == "127.0.0.1"
    assert _for("192.0.2.1, somebody, 10.0.0.3") == "10.0.0.3"
    assert _for("") == "127.0.0.1"
    assert _for("192.0.2.1,") == "127.0.0.1"
    assert _client() == "127.0.0.1"


def test_addresses_with_ports():
    """As proxies write them: IPv6 in brackets, with a port or without."""
    assert _for("192.0.2.1:4711") == "192.0.2.1"
    assert _for("[2001:db8::1]:4711") == "2001:db8::1"
    assert _for("[2001:db8::1]") == "2001:db8::1"
    assert _for("2001:db8::1") == "2001:db8::1"
    assert _for("::ffff:192.0.2.1") == "192.0.2.1"


def test_forwarded():
    """RFC 7239: pairs in any order and case, quoted or not; obfuscated names are nobody."""
    assert _forwarded("for=192.0.2.43") == "192.0.2.43"
    assert _forwarded('proto=https;For="[2001:db8:cafe::17]:4711";by=203.0.113.60') == (
        "2001:db8:cafe::17"
    )
    assert _forwarded("for=203.0.113.9, for=192.0.2.1;proto=https, for=10.0.0.3") == "192.0.2.1"
    assert _forwarded("for=203.0.113.9", "for=192.0.2.1") == "192.0.2.1"
    assert _forwarded('for=192.0.2.1, for="_hidden"') == "127.0.0.1"
    assert _forwarded("for=192.0.2.1, by=10.0.0.3") == "127.0.0.1"


def test_what_is_quoted_is_no_pair():
    """A client's Host, which a proxy quotes, cannot name a client; nor can a quote left open."""
    assert _forwarded('host="a, for=203.0.113.9;for=203.0.113.9";for=192.0.2.1') == "192.0.2.1"
    assert _forwarded('for="203.0.113.9', "for=192.0.2.1") in {"127.0.0.1", "192.0.2.1"}


def test_two_headers_that_differ_name_nobody():
    """A proxy writes one and hands the other on as the client sent it: neither is believed."""
    lines = (("x-forwarded-for", "192.0.2.1"), ("forwarded", "for=203.0.113.9"))
    assert _client(*lines) == "127.0.0.1"
    both = (("x-forwarded-for", "192.0.2.1"), ("forwarded", "for=192.0.2.1"))
    assert _client(*both) == "192.0.2.1"


@pytest.mark.parametrize(
    "value", ["10.0.0.0/33", "proxy.lab", "", "0.0.0.0/0", "::/0", "10.0.0.1/24"]
)
def test_a_proxy_is_an_address_or_a_network(value: str):
    """Not a name, which others may point elsewhere, and not everybody."""
    with pytest.raises(InputError, match="--trusted-proxy"):
        TrustedProxies([value])


def test_one_client():
    """An IPv6 customer is one client with all of its addresses; a mapped address is an IPv4 one."""
    assert client_network("192.0.2.1") == client_network("::ffff:192.0.2.1") == "192.0.2.1"
    assert client_network("2001:db8::1") == client_network("2001:db8::ffff:1%eth0")
    assert client_network("2001:db8::1") != client_network("2001:db8:0:1::1")
    assert client_network("") == ""


def test_loopback():
    """The addresses of the machine itself, mapped ones too."""
    assert is_loopback("127.0.0.2")
    assert is_loopback("::1")
    assert is_loopback("::ffff:127.0.0.1")
    assert not is_loopback("192.0.2.1")
    assert not is_loopback("")


@pytest.mark.parametrize("piece", ['"', "a", "\\", ',"', "for=", ";for", " ", '\\"', 'for="\\'])
def test_a_long_header_costs_no_time(piece: str):
    """Ten times the text takes about ten times as long, not a hundred times."""

    def cost_s(length: int) -> float:
        text = (piece * length)[:length]
        begun_s = time.process_time()
        _forwarded(text)
        return time.process_time() - begun_s

    assert min(cost_s(60_000) for _ in range(3)) < 40 * max(cost_s(6_000), 0.001)
