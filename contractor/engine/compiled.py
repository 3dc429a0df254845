"""How the engine's inner loops are compiled, once, and kept for the next process.

A compiled function is kept in a folder named after the sources of all of them: numba itself looks
only at the file a function stands in, and would go on using what it calls as it was.
"""

import os
import shutil
from collections.abc import Callable
from contextlib import suppress
from functools import cache
from hashlib import sha256
from pathlib import Path
from typing import Any, TypeVar, get_type_hints

import numba
import numpy as np
from llvmlite import ir
from numba import types
from numba.core.imputils import lower_getattr_generic
from numba.core.typing.templates import AttributeTemplate, infer_getattr
from numba.extending import NativeValue, models, register_model, typeof_impl, unbox
from numba.np.arrayobj import make_array, populate_array
from numpy.typing import NDArray

__all__ = [
    "Flags",
    "Floats",
    "Ints",
    "Longs",
    "PointerTable",
    "Words",
    "by_pointer",
    "kernel",
]

_F = TypeVar("_F", bound=Callable[..., object])
_C = TypeVar("_C", bound=type)
_HERE = Path(__file__).parent
_ASKED_FOR: str = numba.config.CACHE_DIR
"""What NUMBA_CACHE_DIR named when this was loaded, or nothing."""
_KEPT_UNUSED_SECONDS = 24 * 60 * 60
"""How long kernels of other sources stay after a process last began with them."""

Ints = NDArray[np.int32]
Longs = NDArray[np.int64]
Flags = NDArray[np.uint8]
Floats = NDArray[np.float64]
Words = NDArray[np.uint64]

_ELEMENT: dict[object, types.Type] = {
    Ints: types.int32,
    Longs: types.int64,
    Flags: types.uint8,
    Floats: types.float64,
    Words: types.uint64,
}


def _digest(folder: Path) -> str:
    """Return what tells versions of a folder's kernels apart: whatever they could be made of."""
    digest = sha256(numba.__version__.encode())
    for path in sorted({*folder.glob("*.py"), *_HERE.glob("*.py")}):
        source = path.read_bytes()
        if b"by_pointer" in source or (path.parent == folder and b"kernel" in source):
            digest.update(source)
    for constants in ("prices.py", "worktime.py"):
        digest.update((_HERE / constants).read_bytes())
    return digest.hexdigest()[:16]


@cache
def _keep_in(folder: Path) -> str:
    """Return where kernels are kept; in the user's own cache where the sources are read-only."""
    for root in (
        Path(_ASKED_FOR) if _ASKED_FOR else folder / "__pycache__",
        Path.home() / ".cache/girtline",
    ):
        kept = root / f"kernels-{_digest(folder)}"
        is_new = not kept.exists()
        try:
            kept.mkdir(parents=True, exist_ok=True)
        except OSError:
            continue
        if os.access(kept, os.W_OK):
            with suppress(OSError):
                os.utime(kept)
            if is_new:
                _remove_old(root, begun_at=kept.stat().st_mtime)
            return str(kept)
    return ""


def _remove_old(root: Path, *, begun_at: float) -> None:
    """Remove kernels of other sources that nobody began with for a day before `begun_at`.

    Safe beside other processes that do the same: what is gone already is passed over.
    """
    folders = (_HERE, *(path for path in _HERE.iterdir() if any(path.glob("*.py"))))
    current = {f"kernels-{_digest(folder)}" for folder in folders}
    for kept in root.glob("kernels-" + 16 * "[0-9a-f]"):
        with suppress(OSError):
            unused = begun_at - kept.stat().st_mtime
            if kept.name not in current and unused > _KEPT_UNUSED_SECONDS and kept.is_dir():
                shutil.rmtree(kept, ignore_errors=True)


def kernel(function: _F) -> _F:
    """Compile `function` at its first call, without the interpreter's lock, and keep the result."""
    numba.config.CACHE_DIR = kept = _keep_in(Path(function.__code__.co_filename).parent)
    compiler = numba.njit(cache=kept != "", nogil=True, error_model="numpy", no_cfunc_wrapper=True)
    compiled: _F = compiler(function)
    return compiled


def by_pointer(cls: _C) -> _C:
    """Let kernels take objects of the dataclass `cls` as one pointer, and read its fields by name.

    Its fields are ints, and one-dimensional arrays of the types named in this module; `address`
    must be that of `pointer_table(self)`. Passed as a tuple of arrays, with lengths, strides and
    owners each, a few dozen of them would make every call and its compilation slow.
    """
    type_name = f"{cls.__module__}.{cls.__name__}Pointer".replace(".", "_")
    class_type = type(type_name, (_Pointer,), {"__module__": __name__})
    # What is kept names the class by its module, so it must be found there in the next process.
    globals()[type_name] = class_type
    compiled_type = class_type(type_name)
    place = {name: (index, hint) for index, (name, hint) in enumerate(_fields(cls))}

    @typeof_impl.register(cls)  # type: ignore[untyped-decorator]
    def _typeof(value: object, context: object) -> types.Type:
        return compiled_type

    @infer_getattr
    class _Fields(AttributeTemplate):  # type: ignore[misc]
        key = class_type

        def generic_resolve(self, owner: types.Type, name: str) -> types.Type | None:
            return _field_type(place[name][1]) if name in place else None

    @lower_getattr_generic(class_type)  # type: ignore[untyped-decorator]
    def _read(context: Any, builder: Any, owner: types.Type, value: object, name: str) -> object:
        index, hint = place[name]
        number = _number_at(builder, value, 2 * index)
        if hint is int:
            return number
        length = _number_at(builder, value, 2 * index + 1)
        return _borrowed_array(context, builder, _field_type(hint), number, length)

    register_model(class_type)(_PointerModel)
    unbox(class_type)(_unbox_address)
    return cls


class PointerTable:
    """Gives a dataclass under `by_pointer` its table of pointers and the address of it."""

    table: Longs

    def __post_init__(self) -> None:
        object.__setattr__(self, "table", pointer_table(self))

    @property
    def address(self) -> int:
        """Return where kernels find the fields."""
        return int(self.table.ctypes.data)


def pointer_table(value: object) -> Longs:
    """Return the fields of `value` in order, each as two numbers: address and length, or itself."""
    table = []
    for name, hint in _fields(type(value)):  # type: ignore[arg-type] # classes do hash
        field: Any = getattr(value, name)
        table += [field, 0] if hint is int else [field.ctypes.data, field.size]
    return np.array(table, dtype=np.int64)


@cache
def _fields(cls: type) -> list[tuple[str, object]]:
    hints = get_type_hints(cls)
    return [(name, hint) for name, hint in hints.items() if name != "table"]


def _field_type(hint: object) -> types.Type:
    return types.int64 if hint is int else types.Array(_ELEMENT[hint], 1, "C")


class _Pointer(types.Type):  # type: ignore[misc]
    def __init__(self, name: str) -> None:
        super().__init__(name=f"pointer to {name}")


class _PointerModel(models.PrimitiveModel):  # type: ignore[misc]
    def __init__(self, manager: object, front_type: object) -> None:
        super().__init__(manager, front_type, ir.IntType(64))


def _unbox_address(typ: object, value: object, context: Any) -> NativeValue:
    address = context.pyapi.object_getattr_string(value, "address")
    native = context.pyapi.long_as_longlong(address)
    context.pyapi.decref(address)
    return NativeValue(native, is_error=context.pyapi.c_api_error())


def _number_at(builder: Any, address: object, index: int) -> object:
    word = ir.IntType(64)
    pointer = builder.inttoptr(address, word.as_pointer())
    return builder.load(builder.gep(pointer, [ir.Constant(word, index)]))


def _borrowed_array(
    context: Any, builder: Any, array_type: types.Array, address: object, length: object
) -> object:
    """Return an array over memory that Python owns, as it does while the kernel runs."""
    array = make_array(array_type)(context, builder)
    item = context.get_data_type(array_type.dtype)
    size = ir.Constant(ir.IntType(64), context.get_abi_sizeof(item))
    populate_array(
        array,
        data=builder.inttoptr(address, item.as_pointer()),
        shape=[length],
        strides=[size],
        itemsize=size,
        meminfo=None,
    )
    return array._getvalue()
