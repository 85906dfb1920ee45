"""Index of admin classes."""

from valvecare.due.admin import ActAdmin, DueItemAdmin, PolicyAdmin
from valvecare.parts.admin import KitAdmin, LotAdmin, PartNumberAdmin
from valvecare.planning.admin import CrewAdmin, PlannerWorkOrderAdmin, WindowAdmin
from valvecare.protection.admin import (
    FunctionTestAdmin,
    InspectionAdmin,
    LiquidPropertiesAdmin,
    OperatingReleaseAdmin,
    VerdictAdmin,
    VerdictPolicyAdmin,
)
from valvecare.proving.admin import TestPolicyAdmin, TestRunAdmin
from valvecare.readings.admin import (
    MeterEventAdmin,
    PlantEventAdmin,
    PushAdmin,
    SeriesAdmin,
    SetAsideAdmin,
)
from valvecare.register.admin import LastAdministratorGuard, SiteScopedAdmin
from valvecare.web.admin import EventAdmin, JobRunAdmin

__all__ = [
    "ActAdmin",
    "CrewAdmin",
    "DueItemAdmin",
    "EventAdmin",
    "FunctionTestAdmin",
    "InspectionAdmin",
    "JobRunAdmin",
    "KitAdmin",
    "LastAdministratorGuard",
    "LotAdmin",
    "PartNumberAdmin",
    "LiquidPropertiesAdmin",
    "MeterEventAdmin",
    "OperatingReleaseAdmin",
    "PlannerWorkOrderAdmin",
    "PlantEventAdmin",
    "PolicyAdmin",
    "PushAdmin",
    "SeriesAdmin",
    "SetAsideAdmin",
    "SiteScopedAdmin",
    "TestPolicyAdmin",
    "TestRunAdmin",
    "VerdictAdmin",
    "VerdictPolicyAdmin",
    "WindowAdmin",
]
