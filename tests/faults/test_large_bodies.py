"""Assurance S-09 over the network: bodies beyond the limits cost little memory and no 5xx."""

import http.client
import json
from collections.abc import Iterator
from pathlib import Path

from tests.faults.pushing import lay_out
from tests.journeys.processes import embedded

MB = 1_000_000
ROW = json.dumps({"series": "TORN-0", "at": "2026-05-04T06:00:00Z", "value": 1.0, "unit": "h"})
JSON_BODY = {"Content-Type": "application/json"}


def rows(count: int) -> bytes:
    return f'{{"source":"s","rows":[{",".join([ROW] * count)}]}}'.encode()


def pieces(size: int) -> Iterator[bytes]:
    """A body of unknown length: sent in chunks, never whole in our memory."""
    yield b'{"source":"s","rows":['
    piece = (ROW + ",").encode() * 1_000
    for _ in range(size // len(piece)):
        yield piece
    yield ROW.encode() + b"]}"


def resident_kb(pid: int) -> int:
    """Peak resident memory of a process and its children, in kB."""
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    peak = Path(f"/proc/{pid}/status").read_text().split("VmHWM:")[1].split()[0]
    return int(peak) + sum(resident_kb(int(child)) for child in children)


def test_s09_bodies_beyond_the_limits(tmp_path, figure):
    with embedded(tmp_path) as plant:
        token = lay_out(plant)

        def send(body: object, **headers: str) -> int:
            """The status, read to the end: nobody is cut off while still sending."""
            link = http.client.HTTPConnection("127.0.0.1", plant.port, timeout=60)
            try:
                link.request(
                    "POST",
                    "/api/v1/readings/bulk",
                    body,
                    {"Authorization": f"Bearer {token}", **JSON_BODY, **headers},
                    encode_chunked=not isinstance(body, bytes),
                )
                answer = link.getresponse()
                problem = json.loads(answer.read())
                assert answer.status == 200 or problem["code"] == "payload_too_large"
                return answer.status
            finally:
                link.close()

        send(rows(10_000))  # what a worker needs for the largest body it takes
        pid = plant.running["web"].pid
        before = resident_kb(pid)
        bodies = {
            "10,001 rows": rows(10_001),
            "200,000 rows": rows(200_000),
            "5 MB of blanks": b" " * 5 * MB + b'{"rows":[]}',
            "9 MB": b" " * 9 * MB + b"{}",
        }
        found = {name: send(body) for name, body in bodies.items()}
        chunked = {"Transfer-Encoding": "chunked"}
        found["100 MB chunked"] = send(pieces(100 * MB), **chunked)
        fits = send(iter([rows(3)]), **chunked)
        rise_mb = (resident_kb(pid) - before) / 1024
        figure("S-09", "answers of 500 or more", sum(s >= 500 for s in found.values()), len(found))
        figure("S-09", "rise of resident memory in MB", round(rise_mb), 50)
        figure("S-09", "bodies refused", sum(s == 413 for s in found.values()), 4)
        assert (found.pop("5 MB of blanks"), fits) == (200, 200)
        assert set(found.values()) == {413}
        assert rise_mb < 50
        assert plant.alive()
