from django.apps import AppConfig


class ValvecareConfig(AppConfig):
    name = "valvecare"
    verbose_name = "valvecare"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from valvecare import checks, tasks  # noqa: F401 registers checks and background jobs
