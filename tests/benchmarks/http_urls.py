from django.urls import include, path

from tests.benchmarks.usual_list import UsualList

urlpatterns = [
    path("usual/due-jobs", UsualList.as_view()),
    path("", include("valvecare.project.urls")),
]
