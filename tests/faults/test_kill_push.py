"""kill -9 of the server, and of the database, while a plant system pushes.

Assurance S-11 over the network: the client sends again until it is answered; nothing is lost,
nothing is kept twice, and what is derived equals that of a twin whose rows came undisturbed.
"""

import pytest

from tests.faults.cluster import own_cluster
from tests.faults.pushing import lay_out, push_through_kills
from tests.journeys.processes import embedded, production


@pytest.fixture(
    params=[
        pytest.param(embedded, id="embedded"),
        pytest.param(production, id="production", marks=[pytest.mark.postgres, pytest.mark.redis]),
    ]
)
def plant(request, tmp_path):
    with request.param(tmp_path) as installation:
        yield installation


def test_a_server_killed_while_rows_come_in(plant, figure):
    token = lay_out(plant)

    def kill():
        plant.kill("web")
        plant.start_web()

    sizes = {"requests": 40, "rows_each": 250}
    push_through_kills(plant, token, kill, figure, kills=5, pause_s=0.1, **sizes)


@pytest.mark.postgres
def test_a_database_killed_while_rows_come_in(tmp_path, figure):
    """A cluster of the test's own: postmaster and every backend are killed, three times."""
    with own_cluster() as cluster, embedded(tmp_path, DATABASE_URL=cluster.url) as plant:
        token = lay_out(plant)

        def kill():
            cluster.kill()
            cluster.start()

        sizes = {"requests": 50, "rows_each": 2_000}
        push_through_kills(plant, token, kill, figure, kills=3, pause_s=0.3, **sizes)
