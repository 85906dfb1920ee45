"""Procedures in the admin: versions, the steps of a draft, preview at a valve, two side by side.

Everything is written by the actions; these pages only ask and show.
"""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

from django.contrib import admin
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseRedirect
from django.template.response import TemplateResponse
from django.urls import path, reverse

from valvecare.core.errors import NotFound
from valvecare.core.permits import may_anywhere
from valvecare.register.models import ProtectionValve
from valvecare.web import clock
from valvecare.web.admin import ReadOnlyAdmin
from valvecare.web.page_acts import new_key, run_once
from valvecare.work.actions.use_procedure import put_in_use, withdraw
from valvecare.work.actions.write_procedure import (
    USE,
    WRITE,
    change_draft,
    draft_procedure,
    draft_version,
)
from valvecare.work.admin.step_form import ProcedureForm, StepForm, initial_of
from valvecare.work.models import Procedure, ProcedureVersion
from valvecare.work.reads import compare, preview, seen_version, steps_of
from valvecare.work.rules import OrderKind
from valvecare.work.rules.procedure_checks import why_not_steps
from valvecare.work.rules.procedures import Phase, VersionState, WorkStep, WorkStepKind

_HOME = "admin:valvecare_procedureversion_changelist"


def _link(name: str, *args: Any) -> str:
    return reverse(f"admin:valvecare_procedureversion_{name}", args=args)


def _whole(text: str) -> int:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else 0


def _moved(steps: tuple[WorkStep, ...], number: int, by: int) -> list[WorkStep]:
    """The steps with one of them a place earlier or later; the ends stay ends."""
    found = list(steps)
    at, to = number - 1, number - 1 + by
    if 0 <= at < len(found) and 0 <= to < len(found):
        found[at], found[to] = found[to], found[at]
    return found


@admin.register(ProcedureVersion)
class ProcedureVersionAdmin(ReadOnlyAdmin):
    """Versions of the procedures of the person's sites, and of those shared by all."""

    list_display = ("procedure", "number", "state", "serves", "words", "valid_from", "drafted_by")
    list_filter = (
        "state",
        "procedure__kind",
        ("procedure__site", admin.RelatedOnlyFieldListFilter),
    )
    list_select_related = ("procedure__site", "drafted_by")
    search_fields = ("procedure__code", "procedure__title", "words")
    ordering = ("procedure__kind", "procedure__code", "-number")
    show_full_result_count = False

    def get_queryset(self, request: HttpRequest) -> Any:
        rows = ProcedureVersion.objects.for_user(request.user)
        return rows.order_by(*(self.get_ordering(request) or ()))

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, "view_work_order")

    def has_add_permission(self, request: HttpRequest) -> bool:
        return may_anywhere(request.user, WRITE)

    @admin.display(description="serves")
    def serves(self, row: ProcedureVersion) -> str:
        return row.procedure.serves

    def get_urls(self) -> Any:
        wrap, name = self.admin_site.admin_view, "valvecare_procedureversion"
        return [
            path("<int:pk>/preview/", wrap(self.preview_view), name=f"{name}_preview"),
            path("<int:pk>/compare/", wrap(self.compare_view), name=f"{name}_compare"),
            path("<int:pk>/steps/new/", wrap(self.step_view), name=f"{name}_newstep"),
            path("<int:pk>/steps/<int:number>/", wrap(self.step_view), name=f"{name}_step"),
            *super().get_urls(),
        ]

    # ---- shared

    def _version(self, request: HttpRequest, pk: Any) -> ProcedureVersion:
        if not self.has_view_permission(request):
            raise PermissionDenied
        try:
            return seen_version(_whole(str(pk)), request.user)
        except NotFound as error:
            raise Http404 from error

    def _page(
        self, request: HttpRequest, name: str, title: str, *, status: int = 200, **context: Any
    ) -> HttpResponse:
        found = {
            **self.admin_site.each_context(request),
            "title": title,
            "opts": self.opts,
            "key": new_key(),
            "may_write": may_anywhere(request.user, WRITE),
            "may_use": may_anywhere(request.user, USE),
            **context,
        }
        return TemplateResponse(request, f"valvecare/work/admin_{name}.html", found, status=status)

    def _run(self, request: HttpRequest, effect: Callable[[], Any]) -> str:
        return run_once(request, request.POST.get("idempotency_key", "")[:80], effect)

    # ---- one version

    def change_view(
        self,
        request: HttpRequest,
        object_id: str,
        form_url: str = "",
        extra_context: dict[str, Any] | None = None,
    ) -> HttpResponse:
        """The version with its steps, and what may be done with it."""
        row = self._version(request, object_id)
        problem = ""
        if request.method == "POST":
            made: list[ProcedureVersion] = []
            problem = self._run(request, lambda: made.append(self._act(request, row)))
            if not problem:
                return HttpResponseRedirect(_link("change", made[0].pk if made else row.pk))
            row = self._version(request, object_id)
        steps = steps_of(row.pk)
        others = ProcedureVersion.objects.for_user(request.user).filter(
            procedure__kind=row.procedure.kind
        )
        return self._page(
            request,
            "procedure",
            f"{row}",
            status=409 if problem else 200,
            row=row,
            steps=steps,
            problem=problem,
            lacks=why_not_steps(OrderKind(row.procedure.kind), steps)
            if row.state == VersionState.DRAFT
            else (),
            others=others.exclude(pk=row.pk).select_related("procedure")[:50],
            typed=request.POST if problem else {},
        )

    def _act(self, request: HttpRequest, row: ProcedureVersion) -> ProcedureVersion:
        """The one act of the form, on the version that was seen."""
        given, words = request.POST, request.POST.get("words", "")[:300]
        who: dict[str, Any] = {"actor": request.user, "at": clock.now()}
        seen = _whole(given.get("version", ""))
        act = given.get("act", "")
        if act == "use":
            return put_in_use(row.pk, words, version=seen, **who)
        if act == "withdraw":
            return withdraw(row.pk, words, version=seen, **who)
        if act == "draft":
            head = row.procedure_id
            top = _whole(given.get("procedure_version", ""))
            return draft_version(head, version=top, words=words, copy_of=row.pk, **who)
        steps, number = steps_of(row.pk), _whole(given.get("step", ""))
        changed = {
            "up": lambda: _moved(steps, number, -1),
            "down": lambda: _moved(steps, number, 1),
            "remove": lambda: [step for step in steps if step.number != number],
        }
        if act not in changed:
            raise Http404
        return change_draft(row.pk, changed[act](), version=seen, **who)

    # ---- one step of a draft

    def step_view(self, request: HttpRequest, pk: int, number: int = 0) -> HttpResponse:
        """Write one step of a draft; number 0 is a new one, at the end or at `?at=`."""
        row = self._version(request, pk)
        steps = list(steps_of(row.pk))
        old = next((step for step in steps if step.number == number), None)
        if number and old is None:
            raise Http404
        at = _whole(request.GET.get("at", "")) or len(steps) + 1
        shown = old or WorkStep(
            number=at,
            phase=steps[min(at, len(steps)) - 1].phase if steps else Phase.IDENTIFY.value,
            kind=WorkStepKind.CHECK.value,
            words="",
        )
        first = {**initial_of(shown), "version": row.version}
        form = StepForm(request.POST if request.method == "POST" else None, initial=first)
        problem = ""
        if request.method == "POST" and form.is_valid():
            step = form.step()
            kept = [one for one in steps if one is not old]
            kept.insert(max(0, min(step.number - 1, len(kept))), replace(step))
            problem = self._run(
                request,
                lambda: change_draft(
                    row.pk,
                    kept,
                    version=form.cleaned_data["version"],
                    actor=request.user,
                    at=clock.now(),
                ),
            )
            if not problem:
                return HttpResponseRedirect(f"{_link('change', row.pk)}#step-{step.number}")
        title = f"{row}, step {number}" if number else f"{row}, new step"
        bad = bool(problem) or (request.method == "POST" and not form.is_valid())
        return self._page(
            request,
            "step",
            title,
            status=(409 if problem else 400) if bad else 200,
            row=row,
            form=form,
            problem=problem,
        )

    # ---- a new procedure

    def add_view(
        self, request: HttpRequest, form_url: str = "", extra_context: Any = None
    ) -> HttpResponse:
        """A procedure of the plant's own, begun from a version (`?from=`) or empty."""
        if not self.has_add_permission(request):
            raise PermissionDenied
        begun = _whole(request.GET.get("from", ""))
        source = self._version(request, begun) if begun else None
        first = (
            {
                "kind": source.procedure.kind,
                "title": source.procedure.title,
                "owner": source.procedure.owner,
                "source": f"from {source}",
            }
            if source
            else {}
        )
        form = ProcedureForm(
            request.user, request.POST if request.method == "POST" else None, initial=first
        )
        problem = ""
        if request.method == "POST" and form.is_valid():
            given = form.cleaned_data
            made: list[ProcedureVersion] = []
            problem = self._run(
                request,
                lambda: made.append(
                    draft_procedure(
                        **{**given, "site": given["site"].code if given["site"] else ""},
                        copy_of=source.pk if source else None,
                        actor=request.user,
                        at=clock.now(),
                    )
                ),
            )
            if not problem:
                home = reverse(_HOME)
                return HttpResponseRedirect(_link("change", made[0].pk) if made else home)
        return self._page(
            request,
            "newprocedure",
            "Write a procedure",
            status=409 if problem else 200,
            form=form,
            source=source,
            problem=problem,
        )

    # ---- looking

    def preview_view(self, request: HttpRequest, pk: int) -> HttpResponse:
        """Which steps apply at a chosen valve, and why."""
        row = self._version(request, pk)
        tag, found, problem = request.GET.get("valve", "").strip()[:40], None, ""
        if tag:
            valves = list(
                ProtectionValve.objects.for_user(request.user).filter(tag__iexact=tag)[:2]
            )
            if len(valves) == 1:
                found = preview(row.pk, valves[0].pk, request.user)
            else:
                problem = (
                    f"No valve of yours has the tag {tag}."
                    if not valves
                    else f"Several valves have the tag {tag}."
                )
        return self._page(
            request,
            "preview",
            f"Preview of {row}",
            row=row,
            found=found,
            tag=tag,
            problem=problem,
        )

    def compare_view(self, request: HttpRequest, pk: int) -> HttpResponse:
        """This version beside another, step by step; what is the same may be left out."""
        row = self._version(request, pk)
        other = self._version(request, request.GET.get("with", "0"))
        lines = compare(other.pk, row.pk, request.user)
        return self._page(
            request,
            "compare",
            f"{row} beside {other}",
            row=row,
            other=other,
            lines=[line for line in lines if line.word != "same"],
            same=sum(line.word == "same" for line in lines),
        )


@admin.register(Procedure)
class ProcedureAdmin(ReadOnlyAdmin):
    """The procedures themselves, to look at; their versions are where the work is."""

    list_display = ("code", "title", "kind", "site", "design_code", "owner", "is_shipped")
    list_filter = ("kind", ("site", admin.RelatedOnlyFieldListFilter), "is_shipped")
    list_select_related = ("site",)
    search_fields = ("code", "title")

    def get_queryset(self, request: HttpRequest) -> Any:
        return Procedure.objects.for_user(request.user)

    def has_view_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return may_anywhere(request.user, "view_work_order")
