"""What a probe tells, and where it leads on."""

from __future__ import annotations

import pytest

from controller.api import BusView, ProbeReport, SiteView
from controller.records import Outcome, Reason, Result
from tui.probe_words import leads_to_break


def probed(reason: Reason | None) -> ProbeReport:
    result = Result.CONFIRMED if reason is None else Result.FAILED
    return ProbeReport("sound", Outcome("1", result, reason), 3, None, None, None, None)


def site(topology: str = "ring", units: int | None = 3, bus: str = "sound") -> SiteView:
    found = BusView(bus, "sim://pellgate-chain", "pellgate-chain", topology, units, simulated=True)
    return SiteView("larkfield-hall", "Larkfield Hall", (found,), ())


@pytest.mark.parametrize("reason", [Reason.NO_ECHO, Reason.ECHO_STOPPED])
def test_a_ring_that_is_cut_leads_to_the_search_for_the_break(reason: Reason) -> None:
    line = leads_to_break(probed(reason), site())
    assert line is not None
    assert "`linewarden probe sound --find-break`" in line


@pytest.mark.parametrize(
    ("report", "found"),
    [
        (probed(None), site()),
        (probed(Reason.LINK_LOST), site()),
        (probed(Reason.NO_ECHO), site("shared")),
        (probed(Reason.NO_ECHO), site(units=None)),
        (probed(Reason.NO_ECHO), site(bus="screen")),
        (ProbeReport("sound", None, 3, None, None, None, None), site()),
    ],
    ids=["whole", "no_adapter", "no_ring", "units_not_known", "another_bus", "nothing_sent"],
)
def test_elsewhere_there_is_no_break_to_search_for(report: ProbeReport, found: SiteView) -> None:
    assert leads_to_break(report, found) is None
