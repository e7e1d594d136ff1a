"""Where a block leaves a range, or holds no number at all."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


def first_outside(
    block: NDArray[np.float64] | NDArray[np.int32], low: float, high: float
) -> tuple[int, int] | None:
    """Frame and channel, both from 0, of the first sample of (frames, channels) not in low to high; or None.

    A NaN is in no range.

    Example
    -------
    >>> import numpy as np
    >>> first_outside(np.array([[0.0, 0.5], [1.0, np.nan]]), -1.0, 1.0)
    (1, 1)
    """
    if block.size == 0 or (block.min() >= low and block.max() <= high):
        return None
    is_inside = (block >= low) & (block <= high)
    frame, channel = divmod(int(is_inside.argmin()), block.shape[1])
    return frame, channel
