"""WSGI entry point. In the embedded mode the serving process also runs the background jobs."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "valvecare.project.settings")

application = get_wsgi_application()

if os.environ.get("VALVECARE_BACKGROUND_HERE") == "1":
    from valvecare.project import background

    background.start()
