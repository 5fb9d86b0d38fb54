"""Guesses: a few a minute each, not many more together, in bounded memory."""

from syncd.board.throttle import ALL_MAX, EACH_MAX, KEYS_MAX, WINDOW_S, Throttle, key_of


def test_one_address_guesses_a_few_times_a_minute() -> None:
    """The answer says how long to wait; after that it goes on, at the same rate."""
    throttle = Throttle()
    assert [throttle.wait_s("10.0.0.9", n) for n in range(EACH_MAX)] == [0.0] * EACH_MAX
    assert throttle.wait_s("10.0.0.9", 10.0) == WINDOW_S - 10.0
    assert throttle.wait_s("10.0.0.8", 10.0) == 0.0, "others are not concerned"
    assert throttle.wait_s("10.0.0.9", WINDOW_S + 0.5) == 0.0
    assert throttle.wait_s("10.0.0.9", WINDOW_S + 0.6) > 0


def test_a_day_of_guessing_stays_within_the_rate() -> None:
    """From one address and from a thousand: what is let through is counted."""
    alone, crowd = Throttle(), Throttle()
    minutes = 60
    tries = [second / 10 for second in range(minutes * 600)]
    assert sum(alone.wait_s("10.0.0.9", at) == 0.0 for at in tries) <= minutes * EACH_MAX
    let_in = sum(crowd.wait_s(f"10.0.{n % 7}.{n % 251}", at) == 0.0 for n, at in enumerate(tries))
    assert 0 < let_in <= minutes * ALL_MAX


def test_a_right_guess_is_forgiven() -> None:
    """Somebody who mistypes and then gets it right begins afresh."""
    throttle = Throttle()
    for n in range(EACH_MAX):
        throttle.wait_s("10.0.0.9", n)
    throttle.forgive("10.0.0.9")
    assert throttle.wait_s("10.0.0.9", 5.0) == 0.0


def test_memory_is_bounded() -> None:
    """However many addresses try, also when each is let try."""
    throttle = Throttle()
    for n in range(50 * KEYS_MAX):
        throttle.wait_s(f"10.{n >> 16}.{n >> 8 & 255}.{n & 255}", n * 10.0)
    assert len(throttle._by_key) <= KEYS_MAX


def test_a_host_cannot_roam_through_its_network() -> None:
    """One IPv6 host has a whole /64; a mapped IPv4 address is that address."""
    assert key_of("2001:db8:0:1::5") == key_of("2001:db8:0:1:ffff::1%eth0")
    assert key_of("2001:db8:0:2::5") != key_of("2001:db8:0:1::5")
    assert key_of("::ffff:10.0.0.9") == key_of("10.0.0.9")
