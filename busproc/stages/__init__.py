"""Every stage there is: importing this package imports each module of the folder, in the order of names.

A stage is found because its module is here; there is no list to edit.
"""

from __future__ import annotations

import importlib
import pkgutil
from typing import TYPE_CHECKING, Annotated, Any, Union

from pydantic import Field

from busproc.settings import Settings
from busproc.stages.base import REGISTRY, Stage

for _module in sorted(found.name for found in pkgutil.iter_modules(__path__)):
    importlib.import_module(f"{__name__}.{_module}")

if TYPE_CHECKING:
    AnyStage = Stage
else:
    AnyStage = Annotated[Union[tuple(REGISTRY.values())], Field(discriminator="stage")]  # noqa: UP007


def _complete(model: type[Any]) -> None:
    """Tell models that hold stages (branches of a composite) what a stage may be."""
    for child in model.__subclasses__():
        child.model_rebuild(_types_namespace={"AnyStage": AnyStage})
        _complete(child)


_complete(Settings)

__all__ = ["REGISTRY", "AnyStage", "Stage"]
