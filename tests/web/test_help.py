"""Help: every state that a person meets has its words, and they hold whatever led there."""

from pathlib import Path

from asleft.domain.alarms.alarm import AlarmState
from web.page import a_page
from web.side_stage import plain


async def test_every_state_of_an_alarm_is_explained(tmp_path: Path) -> None:
    """What came back may have been restored by an order: that it is as left again is all that the state says."""
    with a_page(tmp_path) as page:
        async with page.signed_in() as client:
            said = plain((await client.get("/help")).text)
    for state in set(AlarmState) - {AlarmState.NORMAL}:
        assert str(state) in said
    assert "returned unacknowledged It is as left again, and nobody has seen it." in said
    assert "by itself" not in said.partition("returned unacknowledged")[2].partition("shelved")[0]
