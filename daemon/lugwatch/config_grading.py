"""Gradings of the configuration: what of them an owner has moved, and what of that makes no sense.

Not here: the gradings as they are otherwise (`alert_grading`). May import: model, alert_grading,
config_tables.
"""

from lugwatch import alert_grading
from lugwatch.config_tables import Document, GradingTable
from lugwatch.model import Grading


def read(table: GradingTable) -> Grading:
    """What a table moves of the gradings."""
    return Grading(**{name: getattr(table, name) for name in GradingTable.model_fields})


def mistakes(document: Document) -> list[str]:
    """A warning that comes before its caution would never be a caution."""
    found = []
    usual = alert_grading.Thresholds()
    for where, table in (
        ("[alerts]", document.alerts),
        *((f'[[joint]] "{joint.id}"', joint) for joint in document.joint),
    ):
        caution = table.warming_ratio or document.alerts.warming_ratio or usual.warming_ratio
        warning = (
            table.warming_warning_ratio
            or document.alerts.warming_warning_ratio
            or usual.warming_warning_ratio
        )
        said = table.warming_ratio is not None or table.warming_warning_ratio is not None
        if said and warning <= caution:
            found.append(
                f"{where} warming_warning_ratio = {warning:g} is not above warming_ratio = {caution:g}; "
                "a caution comes first: raise the one or lower the other"
            )
    return found
