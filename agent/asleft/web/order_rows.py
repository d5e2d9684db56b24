"""The writes of an order on the page: what each is, and how far it has come."""

from collections.abc import Callable, Iterator

from asleft.domain.estate import Estate
from asleft.domain.orders import OrderState, Write
from asleft.ports.orders import KeptOrder, StepState
from asleft.web.order_values import Row
from asleft.web.order_words import STAGES, step_words
from asleft.work.acting import action_step

__all__ = ["action_words", "progress_of", "rows_of"]


def progress_of(kept: KeptOrder) -> tuple[str, ...]:
    """Say which step of a rise is being made, for each setting that is on its way; nothing where none is."""
    if kept.state is not OrderState.UNDER_WAY:
        return ()
    return tuple(f"{step.setting}: {step.going}" for step in kept.steps if step.going)


def rows_of(estate: Estate, kept: KeptOrder) -> Iterator[Row]:
    """Give the writes of an order, each with how far it has come."""
    steps = {step.setting: step for step in kept.steps}
    as_left = estate.stations.get(kept.order.station)
    settings = as_left.profile.settings if as_left else {}
    raised = {hazard.setting for hazard in kept.order.hazards if hazard.is_hearing}
    for number, write in enumerate(kept.order.writes, 1):
        setting = settings.get(write.setting)
        step = steps.get(write.setting)
        yield Row(
            number=number,
            setting=write.setting,
            meaning=setting.meaning if setting else "",
            before=write.shown[0],
            after=write.shown[1],
            through=_through(write, setting.show if setting else str),
            stage=STAGES[write.stage],
            rise=write.setting in raised,
            state=step_words(kept.state, step),
            read=step.note if step and step.state is not StepState.MEANT else "",
        )


def action_words(kept: KeptOrder) -> str:
    """Say how it stands with the action of an order; empty where it has none."""
    if not kept.order.action:
        return ""
    named = action_step(kept.order.action)
    words = step_words(kept.state, next((step for step in kept.steps if step.setting == named), None))
    return {"written": "done", "being written": "being done", "not written": "not done"}.get(words, words)


def _through(write: Write, show: Callable[..., str]) -> tuple[str, ...]:
    return tuple(show(value) for value in write.through)
