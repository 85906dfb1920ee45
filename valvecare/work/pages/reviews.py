"""What waits for the reliability engineer: findings and joints, each with its decision."""

import uuid
from typing import Any

from django.contrib.auth.decorators import login_required
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import path
from django.views.decorators.http import require_safe

from valvecare.core.permits import may_anywhere
from valvecare.work.reads import findings_for_engineer, joints_for_engineer
from valvecare.work.rules import GRADE_WORDS, FindingGrade, PartDecision


@require_safe
@login_required
def reviews(request: HttpRequest) -> HttpResponse:
    """Oldest first; a decision is sent to the order it belongs to, as from the order's page."""
    if not may_anywhere(request.user, "decide_part"):
        raise PermissionDenied
    decisions = [word for word in PartDecision if word is not PartDecision.CANNOT_DECIDE]
    findings: list[dict[str, Any]] = [
        {
            "line": line,
            "grade": GRADE_WORDS[FindingGrade(line.grade)] if line.grade else "",
            "key": uuid.uuid4().hex,
        }
        for line in findings_for_engineer(request.user)
    ]
    joints = [{"line": line, "key": uuid.uuid4().hex} for line in joints_for_engineer(request.user)]
    context = {"findings": findings, "joints": joints, "decisions": decisions}
    return render(request, "valvecare/work/reviews.html", context)


urls = [path("at-the-valve/for-the-engineer/", reviews, name="for-the-engineer")]
