"""Compiled code that counts no references, and small arrays for it that need no heap.

numba counts the references to each array that a compiled function is given, up at its beginning
and down at its end, with instructions that two threads must wait for each other at: in kernels that
are called for every few words this was more than half of all time. What is compiled with ``BARE``
counts none. The interpreter holds all arrays while such code runs, so nothing can go away under
it; but it must not make arrays, and an array that it gives back must not reach code that counts.
"""

from __future__ import annotations

from typing import Any, Final

import numba
import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic
from numba.np.arrayobj import populate_array
from numba.np.numpy_support import from_dtype

__all__ = ["BARE", "four_numbers", "sixty_four_words"]

_settings: Any = numba.config

BARE: Final[dict[str, Any]] = {"_nrt": False, "no_cfunc_wrapper": True}
"""Options of ``numba.njit``."""


def _on_stack(count: int, kind: type) -> Any:
    """A function that gives an array of so many items, unset, for as long as its caller runs."""
    if _settings.DISABLE_JIT:
        return lambda: np.empty(count, kind)
    item = from_dtype(np.dtype(kind))
    made = types.Array(item, 1, "C")

    def typed(_context: Any) -> Any:
        def code(context: Any, builder: Any, _signature: Any, _arguments: Any) -> Any:
            word = ir.Constant(ir.IntType(64), count)
            data = cgutils.alloca_once(builder, context.get_data_type(item), size=word)
            array = context.make_array(made)(context, builder)
            width = ir.Constant(ir.IntType(64), np.dtype(kind).itemsize)
            populate_array(
                array,
                data=data,
                shape=cgutils.pack_array(builder, [word]),
                strides=cgutils.pack_array(builder, [width]),
                itemsize=width,
                meminfo=None,
            )
            return array._getvalue()

        return made(), code

    return intrinsic(typed)


four_numbers = _on_stack(4, np.int64)
sixty_four_words = _on_stack(64, np.uint64)
