"""Where fields lie in a payload, and bits put there."""

import numpy as np
from numpy.typing import NDArray

__all__ = ["Payload", "put_bits"]


class Payload:
    """Which bits of a payload are taken."""

    def __init__(self, length: int) -> None:
        self.length = length
        self.taken = np.zeros(length * 8, bool)

    @property
    def free_bits(self) -> int:
        """How many bits are free."""
        return int((~self.taken).sum())

    @property
    def free_bytes(self) -> list[int]:
        """Which bytes are free as a whole."""
        return np.nonzero(~self.taken.reshape(-1, 8).any(axis=1))[0].tolist()

    def take(self, places: tuple[int, ...]) -> None:
        """Mark places as taken."""
        self.taken[list(places)] = True

    def find(
        self,
        dice: np.random.Generator,
        bits: int,
        order: str,
        *,
        loose: float,
        in_byte: bool = False,
    ) -> tuple[int, ...] | None:
        """Take places for so many bits in one piece; None: there are none.

        `loose` is how probable it is that they do not keep to bytes and half bytes; `in_byte`
        keeps them within one.
        """
        runs = self._runs(bits, order)
        if in_byte:
            runs = [run for run in runs if run[0] // 8 == run[-1] // 8]
        if not runs:
            return None
        grid = 1 if dice.random() < loose else (8 if dice.random() < 0.8 else 4)
        ends = [run for run in runs if run[0] % grid == 0 or (run[-1] + 1) % grid == 0]
        chosen = (ends or runs)[int(dice.integers(len(ends or runs)))]
        self.take(chosen)
        return chosen

    def find_split(
        self, dice: np.random.Generator, bits: int, order: str
    ) -> tuple[int, ...] | None:
        """Take places in two pieces that do not touch."""
        upper = int(dice.choice([4, 4, 8, 2])) if bits > 10 else 2
        before = self.taken.copy()
        low = self.find(dice, bits - upper, order, loose=0.05)
        if low is None:
            return None
        high = self.find(dice, upper, order, loose=0.05)
        if high is not None and low + high not in self._all_runs(bits, order):
            return low + high
        self.taken = before
        return None

    def _runs(self, bits: int, order: str) -> list[tuple[int, ...]]:
        free = ~self.taken
        return [run for run in self._all_runs(bits, order) if free[list(run)].all()]

    def _all_runs(self, bits: int, order: str) -> list[tuple[int, ...]]:
        total = self.length * 8
        line = range(total)
        if order == "big":
            # From the lowest bit up: bytes from the last to the first.
            line = [(self.length - 1 - at // 8) * 8 + at % 8 for at in range(total)]
        return [tuple(line[at : at + bits]) for at in range(total - bits + 1)]


def put_bits(
    data: NDArray[np.uint8], places: tuple[int, ...], raw: NDArray[np.uint64] | int
) -> None:
    """Put raw numbers into payloads, shape (n, length), at places, the lowest bit first."""
    at = 0
    while at < len(places):
        behind = at + 1
        while (
            behind < len(places)
            and places[behind] == places[behind - 1] + 1
            and places[behind] % 8 != 0
        ):
            behind += 1
        mask = (1 << (behind - at)) - 1
        byte, bit = divmod(places[at], 8)
        if isinstance(raw, int):
            data[:, byte] |= np.uint8((raw >> at & mask) << bit)
        else:
            piece = raw >> np.uint64(at) & np.uint64(mask)
            data[:, byte] |= piece.astype(np.uint8) << np.uint8(bit)
        at = behind
