"""Which revisions and learned versions there are, and what a version says (contract 3)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from service.catalogue import ToolType
from service.store import assessment_inputs as store
from service.store import wear_models
from service.store.pool import Connection
from worker.wear_model import CATALOGUE, WearModel, read_wear_model

TypeKey = tuple[int, int, int]
"""Tool type, revision of its catalogue entry, version of its learned wear."""


@dataclass(frozen=True, slots=True)
class Reference:
    """Every revision and every learned version of some tool types, in order."""

    revisions: dict[int, list[store.RevisionRow]]
    models: dict[int, list[wear_models.VersionRow]]

    def newest(self) -> dict[int, TypeKey]:
        """What a status rests on, by tool type."""
        found = {}
        for type_id, rows in self.revisions.items():
            models = self.models.get(type_id, [])
            found[type_id] = type_id, rows[-1].revision, models[-1].version if models else CATALOGUE
        return found


def read_reference(conn: Connection[Any], types: set[int]) -> Reference:
    """Read which revisions and learned versions there are, without what they say."""
    found = Reference({}, {})
    for revision in store.list_revisions(conn, types):
        found.revisions.setdefault(revision.tool_type_id, []).append(revision)
    for version in wear_models.list_versions(conn, types):
        found.models.setdefault(version.tool_type_id, []).append(version)
    return found


def with_learned_ground(kind: ToolType, model: WearModel | None) -> ToolType:
    """The catalogue entry with the factors that the fleet has taught."""
    if model is None:
        return kind
    known = {name: model.ground_factors.get(name, factor) for name, factor in kind.ground_factors.items()}
    return replace(kind, ground_factors=known)


# A version never changes, so what was read once stays true (`forget` for another database).
_models: dict[tuple[int, int], WearModel] = {}


def get_model(conn: Connection[Any], key: TypeKey) -> WearModel | None:
    """Return learned wear, remembered by this process; None where the catalogue's holds."""
    type_id, _, version = key
    if version == CATALOGUE:
        return None
    if (type_id, version) not in _models:
        document = wear_models.get_document(conn, type_id, version)
        _models[type_id, version] = read_wear_model(version, document)
    return _models[type_id, version]


def forget() -> None:
    """Drop what is remembered: another database stands behind the process."""
    _models.clear()
