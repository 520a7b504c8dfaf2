from inventory.models.counts import StockCount
from inventory.models.materials import DensityApproval, DensityRecord, Material
from inventory.models.people import Membership, Organization, Role, User
from inventory.models.piles import BaseVersion, Pile, PileLineage
from inventory.models.places import Site
from inventory.models.requests import KeptAnswer
from inventory.models.status import Status

__all__ = [
    "BaseVersion",
    "DensityApproval",
    "DensityRecord",
    "KeptAnswer",
    "Material",
    "Membership",
    "Organization",
    "Pile",
    "PileLineage",
    "Role",
    "Site",
    "Status",
    "StockCount",
    "User",
]
