"""Cards and labels as PDF files: what is on the paper, its size in mm, and that nothing is fetched.

The files are read back by other people's libraries: PDFium for pages, text and pictures, ZXing for
the square codes.
"""

import socketserver
import threading
from contextlib import contextmanager
from html import escape

import pypdfium2
import pytest
import zxingcpp
from django.test import Client
from django.urls import reverse

from tests.factories.look import NOON
from tests.factories.procedures import in_use
from tests.factories.register import SiteFactory, ValveDesignFactory, member, valve_at
from tests.factories.work import Job, WorkOrderFactory, joint_closed
from tests.work.test_torque import JOINT
from valvecare.core.errors import Refused
from valvecare.core.permits import Role
from valvecare.models import ProtectionValve, WorkOrder
from valvecare.register.actions import make_label
from valvecare.register.rules import LabelKind
from valvecare.web import pdf
from valvecare.web.label_drawing import QUIET_ZONE, SIZES, label_drawing
from valvecare.work.actions.load_procedures import load_default_set
from valvecare.work.reads import order_card
from valvecare.work.rules import OrderKind
from valvecare.work.rules.pack import numbered_steps

try:
    pytest.importorskip("weasyprint", reason='needs the extra: pip install "valvecare[pdf]"')
except OSError as error:  # the library is there, Pango is not
    pytest.skip(f"needs the system's Pango libraries: {error}", allow_module_level=True)

MM = 25.4 / 72
A4 = (210, 297)
DPI = 300


def signed_in(user):
    client = Client()
    client.force_login(user)
    return client


def pages_of(file):
    """(size in mm, text) of every page."""
    found = []
    for page in pypdfium2.PdfDocument(file):
        size = tuple(round(side * MM, 1) for side in page.get_size())
        found.append((size, page.get_textpage().get_text_bounded()))
    return found


def codes_of(file):
    """What a reader finds on each page: (text, side of the code in mm without its quiet zone)."""
    found = []
    for page in pypdfium2.PdfDocument(file):
        picture = page.render(scale=DPI / 72).to_pil().convert("L")
        for code in zxingcpp.read_barcodes(picture, formats=zxingcpp.BarcodeFormat.QRCode):
            at = code.position
            found.append((code.text, (at.top_right.x - at.top_left.x) / DPI * 25.4))
    return found


def got(client, url):
    answer = client.get(url)
    assert (answer.status_code, answer["Content-Type"]) == (200, "application/pdf")
    assert answer["Content-Disposition"].startswith("attachment; filename=")
    assert answer.content.startswith(b"%PDF-")
    return answer.content


@pytest.fixture
def site(db):
    return SiteFactory()


@pytest.fixture
def technician(site):
    return member(site, Role.TECHNICIAN)


@pytest.fixture
def order(site):
    return WorkOrderFactory(valve=valve_at(site, tag="NH-FW-3V"))


def card_url(order):
    return reverse("valvecare:job-card-pdf", args=[order.pk])


def test_the_card_has_every_step_its_name_on_each_page_and_a_square_that_leads_back(
    order, technician
):
    file = got(signed_in(technician), card_url(order))
    pages = pages_of(file)
    assert {size for size, _ in pages} == {A4}
    assert 4 <= len(pages) <= 6
    whole = " ".join(" ".join(text.split()) for _, text in pages)
    for step in numbered_steps(OrderKind.STRIP_DOWN):
        assert f"{step.number} {step.name.capitalize()}" in whole
    for number, (_, text) in enumerate(pages, 1):
        assert f"Job card {order.number} NH-FW-3V" in text
        assert f"{number} / {len(pages)}" in text
    assert whole.count("Done by") == whole.count("Recorded by")
    assert "What happened after that is not on this paper." in whole
    [(address, side)] = codes_of(file)
    assert address == "HTTP://TESTSERVER" + reverse("valvecare:work-order", args=[order.pk])
    assert 20 < side < 28


def test_the_card_of_a_procedure_carries_its_numbers(site):
    in_use(site=site)
    job = Job(site, kind=OrderKind.FUNCTION_TEST.value).to_readied()
    texts = [text for _, text in pages_of(got(signed_in(job.technician), card_url(job.order)))]
    whole = " ".join(" ".join(texts).split())
    steps = WorkOrder.objects.get(pk=job.order.pk).procedure.steps.all()
    printed = [step for step in steps if f"{step.number} {step.words[:30]}" in whole]
    assert [step.number for step in printed] == [1, 2, 3, 4, 5, 7, 8]
    assert "6 Pins of the lever locked." not in whole  # this valve has no lever
    assert "Procedure ours version 1" in whole


def test_a_stranger_gets_no_card_and_nobody_is_asked_to_sign_in(order):
    stranger = signed_in(member(SiteFactory(), Role.TECHNICIAN))
    assert stranger.get(card_url(order)).status_code == 404
    assert "/login/" in Client().get(card_url(order))["Location"]


@pytest.fixture
def labels(site):
    keeper = member(site, Role.STOREKEEPER)
    return [make_label(LabelKind.VALVE, valve_at(site).pk, actor=keeper, at=NOON) for _ in range(3)]


def sheet_url(labels, **given):
    wanted = [f"label={label.pk}" for label in labels]
    wanted += [f"{name}={value}" for name, value in given.items()]
    return f"{reverse('valvecare:labels-pdf')}?{'&'.join(wanted)}"


@pytest.mark.parametrize("name", SIZES)
def test_a_roll_is_one_label_a_page_true_to_size_and_every_square_is_read(name, labels, technician):
    size = SIZES[name]
    file = got(signed_in(technician), sheet_url(labels, size=name, layout="roll"))
    pages = pages_of(file)
    assert [page for page, _ in pages] == [(size.width_mm, size.height_mm)] * 3
    for label, (_, text) in zip(labels, pages, strict=True):
        assert f"{label.code[:4]} {label.code[4:]}" in text
    read = codes_of(file)
    assert [text for text, _ in read] == [f"HTTP://TESTSERVER/L/{label.code}/" for label in labels]
    for _, side in read:
        wanted = size.square_mm * 25 / (25 + 2 * QUIET_ZONE)
        assert side == pytest.approx(wanted, abs=0.3)


@pytest.mark.parametrize("name", SIZES)
def test_the_widest_letters_stay_on_the_label(name):
    size = SIZES[name]
    wide = {"code": "MWMWMWMW", "name": "MWWM-WMWWM-W", "place": "WWMM, valve"}
    drawing = label_drawing(address="HTTPS://PLANT.EXAMPLE/L/MWMWMWMW/", size=size, **wide)
    style = f"<style>@page {{ size: {size.width_mm}mm {size.height_mm}mm; margin: 0 }}</style>"
    [(_, text)] = pages_of(pdf.pdf_of(f'{style}<ul class="vc labels"><li>{drawing}</ul>'))
    # PDFium gives only the letters that lie wholly on the page
    assert "MWWM-WMWWM-W" in text
    assert "MWMWMWMW" in text.replace(" ", "")


def test_a_sheet_is_a4_and_every_square_is_read_at_its_size(site, technician):
    keeper = member(site, Role.STOREKEEPER)
    many = [
        make_label(LabelKind.VALVE, valve_at(site).pk, actor=keeper, at=NOON) for _ in range(24)
    ]
    for name, size in SIZES.items():
        file = got(signed_in(technician), sheet_url(many, size=name))
        assert {page for page, _ in pages_of(file)} == {A4}
        read = codes_of(file)
        assert sorted(text for text, _ in read) == sorted(
            f"HTTP://TESTSERVER/L/{label.code}/" for label in many
        )
        wanted = size.square_mm * 25 / (25 + 2 * QUIET_ZONE)
        assert [side for _, side in read] == pytest.approx([wanted] * 24, abs=0.3)


def test_a_sheet_of_labels_one_may_not_see_is_not_made(labels):
    stranger = signed_in(member(SiteFactory(), Role.PLANNER))
    assert stranger.get(sheet_url(labels)).status_code == 404
    assert signed_in(member(labels[0].site)).get(sheet_url([])).status_code == 404


@contextmanager
def listener():
    """A server on loopback that only counts who knocks."""
    knocks = []

    class Count(socketserver.BaseRequestHandler):
        def handle(self):
            knocks.append(self.client_address)

    with socketserver.TCPServer(("127.0.0.1", 0), Count) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.05,))
        thread.start()
        try:
            yield server.server_address[1], knocks
        finally:
            server.shutdown()
            thread.join()


def hostile(port, secret):
    """Every way a document names something else, over the network and in the file system."""
    for base in (f"http://127.0.0.1:{port}/x", f"file://{secret}", f"ftp://127.0.0.1:{port}/x"):
        yield from (
            f'<img src="{base}">',
            f'<link rel="stylesheet" href="{base}">',
            f'<link rel="attachment" href="{base}">',
            f'<a rel="attachment" href="{base}">a</a>',
            f'<object data="{base}"></object>',
            f'<embed src="{base}">',
            f'<iframe src="{base}"></iframe>',
            f"<style>@import url({base});</style>",
            f"<style>p {{ background: url({base}) }}</style>",
            f"<style>@font-face {{font-family: f; src: url({base})}} p {{font-family: f}}</style>",
            f'<svg width="9" height="9"><image href="{base}" width="9" height="9"/></svg>',
            f'<svg width="9" height="9"><use href="{base}#a"/></svg>',
            f'<svg width="9" height="9"><style>@import url({base});</style></svg>',
            f'<p style="list-style: url({base}); display: list-item">a</p>',
        )
    yield f'<base href="http://127.0.0.1:{port}/"><img src="y"><p>a'


def test_a_document_that_names_other_things_opens_none_of_them(tmp_path, figure):
    secret = tmp_path / "secret.txt"
    secret.write_text("SECRET-OF-THE-MACHINE")
    with listener() as (port, knocks):
        tries = list(hostile(port, secret))
        files = [pdf.pdf_of("<p>before</p>" + "<p>kept</p>".join(tries))]
        files += [pdf.pdf_of(f"<body>{one}<p>kept</p></body>") for one in tries[:3]]
    opened = len(knocks) + sum(
        len(pypdfium2.PdfDocument(file).get_attachment(n).get_data())
        for file in files
        for n in range(pypdfium2.PdfDocument(file).count_attachments())
    )
    assert all("kept" in pages_of(file)[0][1] for file in files)
    assert not any("SECRET" in text for file in files for _, text in pages_of(file))
    figure("S-50", "outside things opened by a PDF", opened, len(tries))
    assert opened == 0


def test_the_listener_would_hear_a_library_left_open():
    """The counter-check: with the library's own way of opening things somebody does knock."""
    import weasyprint

    with listener() as (port, knocks):
        weasyprint.HTML(string=f'<img src="http://127.0.0.1:{port}/x">').write_pdf()
    assert len(knocks) == 1


def test_a_hostile_name_is_printed_as_it_was_typed(order, technician):
    with listener() as (port, knocks):
        name = f'<img src="http://127.0.0.1:{port}/x">'
        ProtectionValve.objects.filter(pk=order.valve_id).update(serial=name)
        file = got(signed_in(technician), card_url(order))
    assert knocks == []
    text = "".join("".join(text.split()) for _, text in pages_of(file))
    assert "".join(name.split()) in text
    assert escape(name) not in text


def test_a_data_picture_is_drawn():
    picture = (
        "data:image/svg+xml;utf8,<svg xmlns='http://www.w3.org/2000/svg' width='40' height='40'>"
        "<rect width='40' height='40' fill='red'/></svg>"
    )
    [page] = pypdfium2.PdfDocument(pdf.pdf_of(f'<img src="{picture}">'))
    colours = page.render().to_pil().convert("RGB").getcolors(1 << 20)
    assert max(count for count, colour in colours if colour == (255, 0, 0)) > 500


@pytest.mark.parametrize(
    ("case", "words"),
    [
        ("no extra", "This installation makes no PDF: the extra is not installed."),
        (
            "no system library",
            "This installation makes no PDF: a library of the system is missing.",
        ),
    ],
)
def test_without_the_library_it_says_what_to_install_and_what_prints(
    case, words, order, technician, labels, monkeypatch
):
    if case == "no extra":
        monkeypatch.setattr(pdf, "find_spec", lambda name: None)
    else:

        def missing(name):
            raise OSError("cannot load library 'libpango-1.0-0'")

        monkeypatch.setattr(pdf, "import_module", missing)
    with pytest.raises(Refused, check=lambda refusal: refusal.code == "pdf_not_installed"):
        pdf.pdf_of("<p>")
    client = signed_in(technician)
    for url in (card_url(order), sheet_url(labels)):
        answer = client.get(url)
        page = answer.content.decode()
        assert answer.status_code == 501
        assert words in page
        assert "Print the page from the browser" in page
        assert "valvecare[pdf]" in page
    if case == "no extra":
        for url in (
            reverse("valvecare:job-card", args=[order.pk]),
            f"{reverse('valvecare:labels-sheet')}?label={labels[0].pk}",
        ):
            assert "PDF of" not in client.get(url).content.decode()


def test_the_longest_card_is_drawn_over_its_many_pages(site):
    """The default strip-down of an invented design with its joint data: drawings, facts, tables."""
    load_default_set(at=NOON)
    design = ValveDesignFactory(**JOINT)
    joint_closed(site)  # a torque wrench in calibration
    valve = valve_at(site, design=design)
    job = Job(site, WorkOrderFactory(valve=valve)).to_readied()
    pages = pages_of(got(signed_in(job.technician), card_url(job.order)))
    whole = " ".join(" ".join(text for _, text in pages).split())
    lines = order_card(job.order.pk, job.technician).steps
    assert len(lines) > 50
    missing = [line.number for line in lines if f"{line.number} {line.words[:20]}" not in whole]
    assert missing == []
    assert "Torque to set" in whole
    assert 6 <= len(pages) <= 14
