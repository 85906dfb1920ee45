"""Our own host's admin of people: cannot lose its last administrator, shows no bare tokens.

A token typed in beside the register has no scopes and opens nothing; tokens are issued there.
"""

from django.contrib import admin
from django.contrib.auth import get_user_model
from django.contrib.auth.admin import UserAdmin
from knox.models import get_token_model

from valvecare.register.admin import LastAdministratorGuard

admin.site.unregister(get_user_model())
admin.site.unregister(get_token_model())


@admin.register(get_user_model())
class PeopleAdmin(LastAdministratorGuard, UserAdmin):
    """People, their passwords and whether they may use the admin; roles are memberships."""
