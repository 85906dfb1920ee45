"""Our own host's user admin: the stock one, which cannot lose its last administrator."""

from django.contrib import admin
from django.contrib.auth import get_user_model
from django.contrib.auth.admin import UserAdmin

from valvecare.register.admin import LastAdministratorGuard

admin.site.unregister(get_user_model())


@admin.register(get_user_model())
class PeopleAdmin(LastAdministratorGuard, UserAdmin):
    """People, their passwords and whether they may use the admin; roles are memberships."""
