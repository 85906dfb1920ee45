"""A complete small host for the app: settings, urls, WSGI, Celery, the one-process server.

A plant may use this project as it is, or put `valvecare` into a Django project of its own.
"""

from valvecare.project.celery import app as celery_app

__all__ = ["celery_app"]
