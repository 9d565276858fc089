"""Where point records go: into a file as they are, or compressed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, BinaryIO, Protocol

import lazrs

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray


class Sink(Protocol):
    """Takes records one batch after the other."""

    def write(self, records: NDArray[np.uint8]) -> None:
        """Take records, uint8, shape (n, record_length)."""

    def finish(self) -> None:
        """Write what is still held back; nothing may follow."""


class PlainSink:
    """Writes records as they are."""

    def __init__(self, output: BinaryIO) -> None:
        self._output = output

    def write(self, records: NDArray[np.uint8]) -> None:
        """Take records."""
        self._output.write(records.reshape(-1).data)

    def finish(self) -> None:
        """Nothing is held back."""


class CompressedSink:
    """Writes LAZ, on all cores.

    Parameters
    ----------
    output : binary file
        At the place where the points begin.
    record : bytes
        The record that describes the compression.
    """

    def __init__(self, output: BinaryIO, record: bytes) -> None:
        self._output = _Remembering(output)
        self._compressor = self._guarded(lazrs.ParLasZipCompressor, self._output, lazrs.LazVlr(record))

    def write(self, records: NDArray[np.uint8]) -> None:
        """Take records; what doesn't fill a chunk is held back."""
        if len(records):
            self._guarded(self._compressor.compress_many, records.reshape(-1))

    def finish(self) -> None:
        """Write the last chunk and the chunk table."""
        self._guarded(self._compressor.done)

    def _guarded(self, function: Callable[..., Any], *arguments: object) -> Any:
        try:
            return function(*arguments)
        except lazrs.LazrsError:
            if self._output.error is not None:
                raise self._output.error from None
            raise


class _Remembering:
    """A file that keeps the error it raised: the compiled compressor only says that writing failed."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.error: BaseException | None = None

    def write(self, data: bytes) -> int:
        """Write, and remember what goes wrong (an interrupt from the keyboard too)."""
        try:
            return self._file.write(data)
        except BaseException as error:
            self.error = error
            raise

    def seek(self, position: int, whence: int = 0) -> int:
        """Move, and remember what goes wrong: buffered bytes are written on the way."""
        try:
            return self._file.seek(position, whence)
        except BaseException as error:
            self.error = error
            raise

    def tell(self) -> int:
        """Return the position."""
        return self._file.tell()

    def flush(self) -> None:
        """Write buffered bytes, and remember what goes wrong."""
        try:
            self._file.flush()
        except BaseException as error:
            self.error = error
            raise
