"""The register in the admin. Importing registers the classes with the default admin site."""

from valvecare.register.admin import people, records
from valvecare.register.admin.base import IsRetiredFilter, RecordForm, SiteScopedAdmin
from valvecare.register.admin.people import LastAdministratorGuard

__all__ = [
    "IsRetiredFilter",
    "LastAdministratorGuard",
    "RecordForm",
    "SiteScopedAdmin",
    "people",
    "records",
]
