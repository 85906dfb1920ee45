"""A user model that is as unlike Django's own as a host may have it."""

import uuid
from typing import Any

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.contrib.auth.models import PermissionsMixin
from django.db import models


class PersonManager(BaseUserManager["Person"]):
    def create_user(self, email: str, password: str | None = None, **facts: Any) -> "Person":
        person = self.model(email=self.normalize_email(email), **facts)
        person.set_password(password)
        person.save()
        return person

    def create_superuser(self, email: str, password: str | None = None, **facts: Any) -> "Person":
        return self.create_user(email, password, is_staff=True, is_superuser=True, **facts)


class Person(AbstractBaseUser, PermissionsMixin):
    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    email = models.EmailField(unique=True)
    is_active = models.BooleanField(default=True)
    is_staff = models.BooleanField(default=False)

    objects = PersonManager()
    USERNAME_FIELD = "email"

    class Meta:
        app_label = "people"
