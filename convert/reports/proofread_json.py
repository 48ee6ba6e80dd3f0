"""Findings as JSON.  Schema and keys are described in docs/proofread.md."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator

from convert import __version__
from convert.proofreading.findings import PROOF_SCHEMA, Proof, to_builtins


def document(proofs: Iterable[Proof]) -> Iterator[str]:
    """A JSON document with the findings of one game after another, piece by piece."""
    yield f'{{\n "schema": {PROOF_SCHEMA},\n "program": "fullpoint {__version__}",\n "games": ['
    first = True
    for proof in proofs:
        yield "\n" if first else ",\n"
        yield json.dumps(to_builtins(proof), ensure_ascii=False, indent=1)
        first = False
    yield "\n ]\n}\n"
