from inventory.models.audit import AuditEvent
from inventory.models.counts import StockCount
from inventory.models.limits import Limit, PileHazard
from inventory.models.materials import DensityApproval, DensityRecord, Material
from inventory.models.money import (
    AccountCode,
    ExportBatch,
    JournalEntry,
    JournalLine,
    KeptExport,
    PeriodPool,
    PeriodValue,
    UnitValue,
)
from inventory.models.movements import BeltReading, Movement, MovementImport, Scale, StockOwner
from inventory.models.people import Membership, Organization, Role, User
from inventory.models.periods import (
    Adjustment,
    Explanation,
    Period,
    PeriodLine,
    PeriodStep,
    Policy,
    Restatement,
)
from inventory.models.piles import BaseVersion, Pile, PileLineage
from inventory.models.places import Site
from inventory.models.requests import KeptAnswer
from inventory.models.status import Status
from inventory.models.yards import PartitionLine, Wall

__all__ = [
    "AccountCode",
    "Adjustment",
    "AuditEvent",
    "BaseVersion",
    "BeltReading",
    "DensityApproval",
    "DensityRecord",
    "Explanation",
    "ExportBatch",
    "JournalEntry",
    "JournalLine",
    "KeptAnswer",
    "KeptExport",
    "Limit",
    "Material",
    "Membership",
    "Movement",
    "MovementImport",
    "Organization",
    "PartitionLine",
    "Period",
    "PeriodLine",
    "PeriodPool",
    "PeriodStep",
    "PeriodValue",
    "Pile",
    "PileHazard",
    "PileLineage",
    "Policy",
    "Restatement",
    "Role",
    "Scale",
    "Site",
    "Status",
    "StockCount",
    "StockOwner",
    "UnitValue",
    "User",
    "Wall",
]
