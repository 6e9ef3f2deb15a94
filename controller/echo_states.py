"""The echo machine's states and steps, and the one table of ways between them."""

from __future__ import annotations

from enum import Enum

__all__ = ["TRANSITIONS", "State", "Step", "WrongStep", "follow"]


class State(Enum):
    """Where a transmission stands."""

    IDLE = "idle"
    """Nothing is under way."""
    WAITING = "waiting"
    """For others to leave the line quiet."""
    SPACING = "spacing"
    """Dead time or a pause before the next frame."""
    AWAITING_ECHO = "awaiting echo"
    """One frame is on its way round the ring."""
    HEARING_SELF = "hearing self"
    """A stretch of frames is out, and should be heard as it was sent."""
    LEAVING = "leaving"
    """Frames are on their way out, and nothing comes back of them."""
    AWAITING_REPLY = "awaiting reply"
    """The message is out; the unit's answer is due."""
    SETTLING = "settling"
    """All echoes are here; a stray or doubled last frame would show now."""
    DRAINING = "draining"
    """The attempt is over without success; late echoes die in this quiet window."""


class Step(Enum):
    """What can happen to it."""

    BEGIN = "begin"
    """A transmission is handed over."""
    QUIET = "quiet"
    """The line has been quiet for long enough."""
    NEVER_QUIET = "never quiet"
    """Others kept the line busy until the time was over."""
    FRAME_OUT = "frame out"
    """One frame was written, in lockstep."""
    STRETCH_OUT = "stretch out"
    """Frames were written that we shall hear ourselves."""
    STRETCH_OUT_UNHEARD = "stretch out, unheard"
    """Frames were written, and nothing comes back of them."""
    MORE = "more"
    """What was out is accounted for, and there is more to send."""
    ALL_BACK = "all back"
    """The last frame is accounted for."""
    ANSWER_DUE = "answer due"
    """The whole message is out, and an answer must follow."""
    GONE = "gone"
    """The last frame has left, and that is all."""
    ANSWERED = "answered"
    """An answer to this command came, whatever it says."""
    FAULT = "fault"
    """The attempt has failed."""
    SETTLED = "settled"
    """Nothing stray has shown."""
    RETRY = "retry"
    """The line is quiet, and another attempt is allowed."""
    GIVE_UP = "give up"
    """The line is quiet, and no other attempt is allowed."""
    CANCEL = "cancel"
    """The command was taken back."""
    LINK_LOST = "link lost"
    """The port went away."""


TRANSITIONS: dict[tuple[State, Step], State] = {
    (State.IDLE, Step.BEGIN): State.WAITING,
    (State.WAITING, Step.QUIET): State.SPACING,
    (State.WAITING, Step.NEVER_QUIET): State.IDLE,
    (State.WAITING, Step.CANCEL): State.IDLE,
    (State.SPACING, Step.FRAME_OUT): State.AWAITING_ECHO,
    (State.SPACING, Step.STRETCH_OUT): State.HEARING_SELF,
    (State.SPACING, Step.STRETCH_OUT_UNHEARD): State.LEAVING,
    (State.SPACING, Step.FAULT): State.DRAINING,
    (State.SPACING, Step.CANCEL): State.DRAINING,
    (State.AWAITING_ECHO, Step.MORE): State.SPACING,
    (State.AWAITING_ECHO, Step.ALL_BACK): State.SETTLING,
    (State.AWAITING_ECHO, Step.FAULT): State.DRAINING,
    (State.HEARING_SELF, Step.MORE): State.SPACING,
    (State.HEARING_SELF, Step.ALL_BACK): State.SETTLING,
    (State.HEARING_SELF, Step.ANSWER_DUE): State.AWAITING_REPLY,
    (State.HEARING_SELF, Step.FAULT): State.DRAINING,
    (State.LEAVING, Step.MORE): State.SPACING,
    (State.LEAVING, Step.GONE): State.IDLE,
    (State.LEAVING, Step.ANSWER_DUE): State.AWAITING_REPLY,
    (State.AWAITING_REPLY, Step.ANSWERED): State.IDLE,
    (State.AWAITING_REPLY, Step.FAULT): State.DRAINING,
    (State.SETTLING, Step.SETTLED): State.IDLE,
    (State.SETTLING, Step.FAULT): State.DRAINING,
    (State.DRAINING, Step.RETRY): State.SPACING,
    (State.DRAINING, Step.GIVE_UP): State.IDLE,
    **{(state, Step.LINK_LOST): State.IDLE for state in State if state is not State.IDLE},
}
"""State and step -> next state. What is not here can't happen."""


class WrongStep(RuntimeError):
    """A step that the table does not have: a fault of this program. The state stays as it was."""

    def __init__(self, state: State, step: Step) -> None:
        super().__init__(f"the echo machine can't take {step.value!r} while {state.value!r}")
        self.state = state
        self.step = step


def follow(state: State, step: Step) -> State:
    """The state that a step leads to.

    Raises:
        WrongStep: the table has no such way.
    """
    following = TRANSITIONS.get((state, step))
    if following is None:
        raise WrongStep(state, step)
    return following
