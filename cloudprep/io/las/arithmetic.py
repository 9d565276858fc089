"""The adaptive arithmetic decoder of the LAZ format, for the chunk table only.

The table says where every block of compressed points lies. A rotten one makes the compiled decompressor end
the whole process, so it is decoded here, where every step is checked; it has two numbers a block at most, so
plain Python is fast enough (about 20 µs a number).

The method is M. Isenburg, *LASzip: lossless compression of LiDAR data*, Photogrammetric Engineering & Remote
Sensing 79(2), 2013, with the range coder of A. Said, *Introduction to Arithmetic Coding*, HP Labs 2004.
"""

from __future__ import annotations

_WORD = 0xFFFFFFFF
_SHORTEST_INTERVAL = 1 << 24
_SYMBOL_SHIFT = 15
_SYMBOL_LARGEST_TOTAL = 1 << 15
_BIT_SHIFT = 13
_BIT_LARGEST_TOTAL = 1 << 13
_LARGEST_BIT_CYCLE = 64
_HALF = 0x80000000
# Corrections of up to this many bits are coded whole; of longer ones only the leading bits.
_WHOLE_BITS = 8
_READ_AT_ONCE = 19


class DamagedCodeError(ValueError):
    """The coded bytes end too early or lead nowhere."""


class _BitModel:
    """Adaptive probability of a zero bit."""

    __slots__ = ("count", "cycle", "probability", "until_update", "zeros")

    def __init__(self) -> None:
        self.zeros, self.count = 1, 2
        self.probability = 1 << (_BIT_SHIFT - 1)
        self.cycle = self.until_update = 4

    def seen(self, bit: int) -> None:
        """Take note of a bit."""
        self.zeros += bit == 0
        self.until_update -= 1
        if self.until_update:
            return
        self.count += self.cycle
        if self.count > _BIT_LARGEST_TOTAL:
            self.count = (self.count + 1) >> 1
            self.zeros = (self.zeros + 1) >> 1
            self.count += self.zeros == self.count
        self.probability = (self.zeros * (_HALF // self.count)) >> (31 - _BIT_SHIFT)
        self.cycle = min((5 * self.cycle) >> 2, _LARGEST_BIT_CYCLE)
        self.until_update = self.cycle


class _SymbolModel:
    """Adaptive probabilities of the symbols 0 to size - 1."""

    __slots__ = ("counts", "cycle", "size", "starts", "total", "until_update")

    def __init__(self, size: int) -> None:
        self.size = size
        self.counts = [1] * size
        self.starts = [0] * size
        self.total, self.cycle = 0, size
        self._spread()
        self.cycle = self.until_update = (size + 6) >> 1

    def seen(self, symbol: int) -> None:
        """Take note of a symbol."""
        self.counts[symbol] += 1
        self.until_update -= 1
        if self.until_update:
            return
        self._spread()
        self.cycle = min((5 * self.cycle) >> 2, (self.size + 6) << 3)
        self.until_update = self.cycle

    def _spread(self) -> None:
        self.total += self.cycle
        if self.total > _SYMBOL_LARGEST_TOTAL:
            self.counts = [(count + 1) >> 1 for count in self.counts]
            self.total = sum(self.counts)
        scale = _HALF // self.total
        below = 0
        for symbol, count in enumerate(self.counts):
            self.starts[symbol] = (scale * below) >> (31 - _SYMBOL_SHIFT)
            below += count


class _Decoder:
    """Range decoder over a run of bytes."""

    __slots__ = ("data", "length", "position", "value")

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.length = _WORD
        self.value = int.from_bytes(data[:4].ljust(4, b"\0"), "big")
        self.position = 4

    def bit(self, model: _BitModel) -> int:
        """Decode one bit."""
        cut = model.probability * (self.length >> _BIT_SHIFT)
        bit = int(self.value >= cut)
        if bit:
            self._narrow(cut, self.length - cut)
        else:
            self._narrow(0, cut)
        model.seen(bit)
        return bit

    def symbol(self, model: _SymbolModel) -> int:
        """Decode one symbol."""
        unit = self.length >> _SYMBOL_SHIFT
        low, high = 0, model.size
        while high - low > 1:
            middle = (low + high) >> 1
            if unit * model.starts[middle] > self.value:
                high = middle
            else:
                low = middle
        start = unit * model.starts[low]
        end = unit * model.starts[high] if high < model.size else self.length
        self._narrow(start, end - start)
        model.seen(low)
        return low

    def bits(self, count: int) -> int:
        """Decode equally likely bits."""
        if count > _READ_AT_ONCE:
            lower = self.bits(16)
            return (self.bits(count - 16) << 16) | lower
        unit = self.length >> count
        found = self.value // unit
        self._narrow(found * unit, unit)
        if found >> count:
            raise DamagedCodeError("a coded number is out of range")
        return found

    def _narrow(self, start: int, length: int) -> None:
        self.value -= start
        self.length = length
        if length <= 0 or self.value < 0:
            raise DamagedCodeError("a coded number is out of range")
        while self.length < _SHORTEST_INTERVAL:
            if self.position >= len(self.data):
                raise DamagedCodeError("the coded bytes end too early")
            self.value = ((self.value << 8) | self.data[self.position]) & _WORD
            self.position += 1
            self.length = (self.length << 8) & _WORD


class _NumberModel:
    """Codes 32-bit numbers as corrections of the number before."""

    def __init__(self) -> None:
        # 0 to 32 bits are needed for a correction; context 0 codes point counts, context 1 byte counts.
        self.widths = (_SymbolModel(33), _SymbolModel(33))
        self.one_bit = _BitModel()
        self.leading = [_SymbolModel(1 << min(width, _WHOLE_BITS)) for width in range(1, 32)]

    def following(self, decoder: _Decoder, previous: int, context: int) -> int:
        """Return the next number of a context, 0 to 2**32 - 1."""
        width = decoder.symbol(self.widths[context])
        if width == 0:
            correction = decoder.bit(self.one_bit)
        elif width == 32:
            correction = -_HALF
        else:
            correction = decoder.symbol(self.leading[width - 1])
            if width > _WHOLE_BITS:
                trailing = width - _WHOLE_BITS
                correction = (correction << trailing) | decoder.bits(trailing)
            if correction >= 1 << (width - 1):
                correction += 1
            else:
                correction -= (1 << width) - 1
        return (previous + correction) & _WORD


def decode_chunk_table(
    data: bytes, chunks: int, room: int, *, with_counts: bool
) -> tuple[list[int], list[int], int]:
    """Decode the table of a LAZ file's blocks.

    Parameters
    ----------
    data : bytes
        What follows the table's version and number of chunks; bytes after the table do no harm.
    chunks : int
        How many chunks the table lists.
    room : int
        Bytes that there are for all chunks together; garbage soon asks for more, and is not decoded further.
    with_counts : bool
        Whether it lists point counts too (chunks of various lengths).

    Returns
    -------
    counts : list of int
        Points in each chunk; empty without ``with_counts``.
    sizes : list of int
        Bytes of each chunk.
    length : int
        How many of the bytes the table takes: encoders leave exactly what a decoder reads.

    Raises
    ------
    DamagedCodeError
        If the bytes end too early or code nothing sensible, a chunk before the last is empty, or there is
        no room for all of them.
    """
    decoder, model = _Decoder(data), _NumberModel()
    counts: list[int] = []
    sizes: list[int] = []
    count = size = 0
    for _ in range(chunks):
        if with_counts:
            count = model.following(decoder, count, 0)
            counts.append(count)
        size = model.following(decoder, size, 1)
        sizes.append(size)
        room -= size
        if room < 0 or (size == 0 and len(sizes) < chunks):
            raise DamagedCodeError("the chunks are longer than the file")
    return counts, sizes, decoder.position
