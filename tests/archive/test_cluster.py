"""A shelf audited by the workers of a dask scheduler."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from printq.archive.audit import audit_bag
from printq.errors import UsageError


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_a_cluster_finds_the_same_as_this_process(make_bag: Callable[..., Path]) -> None:
    distributed = pytest.importorskip("distributed")
    bag = make_bag(flac=True)
    (bag / "data/job.toml").write_bytes(b"?")
    with distributed.LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None) as cluster:
        found = audit_bag(bag, dask=cluster.scheduler_address)
    assert found == audit_bag(bag, workers=1)
    assert "data/job.toml" in {one.file for one in found.findings}


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_a_scheduler_that_is_not_there_is_said_so(make_bag: Callable[..., Path]) -> None:
    pytest.importorskip("distributed")
    with pytest.raises(UsageError, match="no dask scheduler answers"):
        audit_bag(make_bag(), dask="tcp://127.0.0.1:9")
