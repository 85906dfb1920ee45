"""Proof that a person has just shown who they are. Edges make it, actions ask for it."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any


@dataclass(frozen=True, slots=True)
class FreshCredential:
    """Who showed a credential, when, and which kind it was ('password')."""

    user_id: Any
    at: datetime
    method: str
