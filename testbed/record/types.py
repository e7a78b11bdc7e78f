"""ROS 2 message types without ROS: definitions, hashes and CDR through rosbags."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from functools import cache
from typing import Any

import numpy as np
from rosbags.interfaces import Nodetype
from rosbags.typesys import Stores, get_typestore
from rosbags.typesys.store import Typestore


@cache
def typestore() -> Typestore:
    """Return the message types that ship with ROS 2 Kilted."""
    return get_typestore(Stores.ROS2_KILTED)


@cache
def definition(message_type: str) -> tuple[str, str]:
    """Return text and hash (RIHS01) of a message type.

    Raises:
        KeyError: the type does not ship with ROS 2 Kilted.

    """
    store = typestore()
    if message_type not in store.fielddefs:
        raise KeyError(message_type)
    text, _ = store.generate_msgdef(message_type, ros_version=2)
    return text, store.hash_rihs01(message_type)


def message(message_type: str, **values: Any) -> Any:
    """Return a message with these values; every field not given is zero, empty or the default of its type."""
    given = set(values)
    unknown = given - {field.name for field in fields(typestore().types[message_type])}
    if unknown - {"__msgtype__"}:
        raise TypeError(f"{message_type} has no field {', '.join(sorted(unknown))}")
    for name, make in _defaults(message_type):
        if name not in given:
            values[name] = make()
    return typestore().types[message_type](**values)


def serialize(message: Any, message_type: str) -> bytes:
    """Return the CDR bytes of a message."""
    return bytes(typestore().serialize_cdr(message, message_type))


def deserialize(data: bytes, message_type: str) -> Any:
    """Return the message in CDR bytes."""
    return typestore().deserialize_cdr(data, message_type)


@cache
def _defaults(message_type: str) -> tuple[tuple[str, Callable[[], Any]], ...]:
    return tuple((name, _default(kind, detail)) for name, (kind, detail) in typestore().fielddefs[message_type][1])


def _default(kind: Nodetype, detail: Any) -> Callable[[], Any]:
    if kind == Nodetype.NAME:
        if detail == "geometry_msgs/msg/Quaternion":  # whose definition says w = 1
            return lambda: message(detail, w=1.0)
        return lambda: message(detail)
    if kind == Nodetype.BASE:
        name = detail[0]
        return {"string": str, "bool": bool, "float32": float, "float64": float}.get(name, int)
    (element_kind, element), length = detail
    if element_kind != Nodetype.BASE or element[0] == "string":
        make = _default(element_kind, element)
        return lambda: [make() for _ in range(length if kind == Nodetype.ARRAY else 0)]
    dtype = np.dtype({"bool": "?", "byte": "u1", "char": "u1"}.get(element[0], element[0]))
    return lambda: np.zeros(length if kind == Nodetype.ARRAY else 0, dtype)
