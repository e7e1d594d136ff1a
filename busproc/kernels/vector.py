"""Four or eight doubles at once: the processor's vector registers, in words that plain Python understands.

Each function in the first half says in a line of numpy what it does with so many values. In a compiled
kernel the same call becomes one or two instructions on LLVM's `<4 x double>` or `<8 x double>`; the second
half tells numba so. Nothing is fused and nothing reordered, so every processor gives the same bits. `+`,
`-` and `*` work value by value. A processor with shorter registers takes two for eight values; where they
then run out, four at once are faster.

Numba's cache does not notice a change in this file: after one, delete the kernels' `__pycache__`.
"""

from __future__ import annotations

import inspect
import operator
from collections.abc import Callable
from typing import Any

import numpy as np
from llvmlite import ir  # type: ignore[import-untyped]  # it comes without types
from numba import types
from numba.core import cgutils
from numba.core.registry import cpu_target
from numba.core.typing.templates import Signature
from numba.extending import lower_builtin, models, register_model, type_callable
from numpy.typing import NDArray

Audio = NDArray[np.float64]


EIGHTS_FIT = "+avx512f" in cpu_target.target_context.codegen().magic_tuple()[2]
"""Whether the processor that is compiled for has registers of eight; speed may depend on it, no result."""


def load(array: Audio, at: int) -> Audio:
    """Four values of a flat array."""
    return array[at : at + 4].copy()


def load_eight(array: Audio, at: int) -> Audio:
    """Eight values of a flat array."""
    return array[at : at + 8].copy()


def load_pairs(array: Audio, at: int, other: int) -> Audio:
    """Two values from one place and two from another."""
    return np.concatenate([array[at : at + 2], array[other : other + 2]])


def load_before(array: Audio, at: int, four: Audio) -> Audio:
    """Two values from memory, then the first two of `four`."""
    return np.concatenate([array[at : at + 2], four[:2]])


def store(array: Audio, at: int, values: Audio) -> None:
    """Write four or eight values into a flat array."""
    array[at : at + len(values)] = values


def store_pairs(array: Audio, at: int, other: int, four: Audio) -> None:
    """Write the first two values to one place, then the last two to another."""
    array[at : at + 2] = four[:2]
    array[other : other + 2] = four[2:]


def store_last(array: Audio, at: int, four: Audio) -> None:
    """Write the last two values."""
    array[at : at + 2] = four[2:]


def splat(value: float) -> Audio:
    """Four times the same value."""
    return np.full(4, value)


def splat_eight(value: float) -> Audio:
    """Eight times the same value."""
    return np.full(8, value)


def join(four: Audio, other: Audio) -> Audio:
    """Last two of one, then first two of the other."""
    return np.concatenate([four[2:], other[:2]])


def absolute(values: Audio) -> Audio:
    """Magnitudes."""
    return np.abs(values)


def any_under(values: Audio, bound: float) -> bool:
    """Whether any of the values is `bound` or less."""
    return bool(np.any(values <= bound))


def zero_under(values: Audio, bound: float, kept: Audio) -> Audio:
    """0 where `values` is `bound` or less, `kept` elsewhere."""
    return np.where(values <= bound, 0.0, kept)


class FourType(types.Type):
    """Numba's name for four doubles in a register."""


class EightType(types.Type):
    """And for eight."""


PAIR_IR, FOUR_IR, EIGHT_IR = (ir.VectorType(ir.DoubleType(), count) for count in (2, 4, 8))
FOUR, EIGHT = FourType("four"), EightType("eight")
IR = {FOUR: FOUR_IR, EIGHT: EIGHT_IR}


@register_model(FourType)
@register_model(EightType)
class RegisterModel(models.PrimitiveModel):
    """A register is passed on as it is."""

    def __init__(self, manager: Any, kind: types.Type) -> None:
        super().__init__(manager, kind, IR[kind])  # type: ignore[no-untyped-call]  # as all of numba


Emit = Callable[..., Any]
EXACT: dict[type, Any] = {types.Integer: types.intp, types.Float: types.float64}


def compiles(function: Callable[..., Any], returns: types.Type, *takes: type) -> Callable[[Emit], Emit]:
    """Have numba call the decorated function where it meets `function`, to emit its instructions.

    It is given the builder and the arguments, arrays as pointers to their first value.
    """

    def register(emit: Emit) -> Emit:
        def signature(*given: types.Type) -> Any:
            if len(given) != len(takes) or not all(map(isinstance, given, takes)):
                return None
            exact = tuple(EXACT.get(kind, one) for kind, one in zip(takes, given, strict=True))
            return Signature(returns, exact, None)  # type: ignore[no-untyped-call]  # as all of numba

        def generate(context: Any, builder: Any, called: Any, values: tuple[Any, ...]) -> Any:
            arguments = [
                context.make_array(kind)(context, builder, value).data
                if isinstance(kind, types.Array)
                else value
                for kind, value in zip(called.args, values, strict=True)
            ]
            emitted = emit(builder, *arguments)
            return context.get_dummy_value() if returns is types.none else emitted

        signature.pysig = inspect.signature(function)  # type: ignore[attr-defined]  # numba looks for it there
        type_callable(function)(lambda _: signature)
        lower_builtin(function, *takes)(generate)  # type: ignore[no-untyped-call]  # as all of numba
        return emit

    return register


def pointer(builder: Any, array: Any, at: Any, kind: ir.Type) -> Any:
    return builder.bitcast(builder.gep(array, [at]), kind.as_pointer())


def shuffled(builder: Any, one: Any, other: Any, *places: int) -> Any:
    chosen = ir.Constant(ir.VectorType(ir.IntType(32), len(places)), list(places))
    return builder.shuffle_vector(one, other, chosen)


@compiles(load, FOUR, types.Array, types.Integer)
def _(builder: Any, array: Any, at: Any) -> Any:
    return builder.load(pointer(builder, array, at, FOUR_IR), align=8)


@compiles(load_eight, EIGHT, types.Array, types.Integer)
def _(builder: Any, array: Any, at: Any) -> Any:
    return builder.load(pointer(builder, array, at, EIGHT_IR), align=8)


@compiles(load_pairs, FOUR, types.Array, types.Integer, types.Integer)
def _(builder: Any, array: Any, at: Any, other: Any) -> Any:
    pairs = [builder.load(pointer(builder, array, place, PAIR_IR), align=8) for place in (at, other)]
    return shuffled(builder, *pairs, 0, 1, 2, 3)


@compiles(load_before, FOUR, types.Array, types.Integer, FourType)
def _(builder: Any, array: Any, at: Any, four: Any) -> Any:
    pair = builder.load(pointer(builder, array, at, PAIR_IR), align=8)
    return shuffled(builder, shuffled(builder, pair, pair, 0, 1, 0, 1), four, 0, 1, 4, 5)


@compiles(store_pairs, types.none, types.Array, types.Integer, types.Integer, FourType)
def _(builder: Any, array: Any, at: Any, other: Any, four: Any) -> None:
    for place, first in ((at, 0), (other, 2)):
        pair = shuffled(builder, four, four, first, first + 1)
        builder.store(pair, pointer(builder, array, place, PAIR_IR), align=8)


@compiles(store_last, types.none, types.Array, types.Integer, FourType)
def _(builder: Any, array: Any, at: Any, four: Any) -> None:
    builder.store(shuffled(builder, four, four, 2, 3), pointer(builder, array, at, PAIR_IR), align=8)


@compiles(join, FOUR, FourType, FourType)
def _(builder: Any, four: Any, other: Any) -> Any:
    return shuffled(builder, four, other, 2, 3, 4, 5)


def splatted(builder: Any, value: Any, row: ir.VectorType) -> Any:
    one = builder.insert_element(ir.Constant(row, ir.Undefined), value, ir.IntType(32)(0))
    return shuffled(builder, one, one, *[0] * row.count)


@compiles(splat, FOUR, types.Float)
def _(builder: Any, value: Any) -> Any:
    return splatted(builder, value, FOUR_IR)


@compiles(splat_eight, EIGHT, types.Float)
def _(builder: Any, value: Any) -> Any:
    return splatted(builder, value, EIGHT_IR)


def compile_alike(kind: type, made: types.Type, row: ir.VectorType) -> None:
    """Register what values of every number can do."""

    @compiles(store, types.none, types.Array, types.Integer, kind)
    def _(builder: Any, array: Any, at: Any, values: Any) -> None:
        builder.store(values, pointer(builder, array, at, row), align=8)

    @compiles(absolute, made, kind)
    def _(builder: Any, values: Any) -> Any:
        name = f"llvm.fabs.v{row.count}f64"
        fabs = cgutils.get_or_insert_function(  # type: ignore[no-untyped-call]  # as all of numba
            builder.module, ir.FunctionType(row, [row]), name
        )
        return builder.call(fabs, [values])

    @compiles(any_under, types.boolean, kind, types.Float)
    def _(builder: Any, values: Any, bound: Any) -> Any:
        under = builder.fcmp_ordered("<=", values, splatted(builder, bound, row))
        bits = ir.IntType(row.count)
        return builder.icmp_unsigned("!=", builder.bitcast(under, bits), bits(0))

    @compiles(zero_under, made, kind, types.Float, kind)
    def _(builder: Any, values: Any, bound: Any, kept: Any) -> Any:
        under = builder.fcmp_ordered("<=", values, splatted(builder, bound, row))
        return builder.select(under, ir.Constant(row, [0.0] * row.count), kept)

    @compiles(operator.add, made, kind, kind)
    def _(builder: Any, values: Any, others: Any) -> Any:
        return builder.fadd(values, others)

    @compiles(operator.sub, made, kind, kind)
    def _(builder: Any, values: Any, others: Any) -> Any:
        return builder.fsub(values, others)

    @compiles(operator.mul, made, kind, kind)
    def _(builder: Any, values: Any, others: Any) -> Any:
        return builder.fmul(values, others)


compile_alike(FourType, FOUR, FOUR_IR)
compile_alike(EightType, EIGHT, EIGHT_IR)
