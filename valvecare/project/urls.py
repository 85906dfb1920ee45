"""Our own small host: login, admin, and the app at the root."""

from django.contrib import admin
from django.contrib.auth import views as auth
from django.urls import include, path

from valvecare.project import people  # noqa: F401 our user admin instead of the stock one
from valvecare.web.problems import is_api, json_problem

admin.site.site_title = admin.site.site_header = "valvecare"
admin.site.index_title = "Register"

urlpatterns = [
    path("admin/", admin.site.urls),
    path("login/", auth.LoginView.as_view(template_name="valvecare/login.html"), name="login"),
    path("logout/", auth.LogoutView.as_view(), name="logout"),
    path("", include("valvecare.urls")),
]


def _handler(status: int, code: str, detail: str, template: str):
    from django.shortcuts import render

    def answer(request, *_args, **_kwargs):
        if is_api(request):
            return json_problem(status, code, detail)
        return render(request, template, {"detail": detail}, status=status)

    return answer


handler400 = _handler(400, "invalid", "The request is not well formed.", "valvecare/error.html")
handler403 = _handler(403, "forbidden", "You may not do this here.", "valvecare/error.html")
handler404 = _handler(404, "not_found", "There is nothing here for you.", "valvecare/error.html")
handler500 = _handler(
    500,
    "unexpected",
    "Something went wrong on our side; it has been logged.",
    "valvecare/error.html",
)
