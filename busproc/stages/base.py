"""The stage contract: decide from the bus, then apply to every lane.

A stage *is* its settings: one frozen class whose fields are exactly the keys of its JSON object. It
holds no audio, no state and no derived number. Audio on a bus is one C-contiguous float64 array
`lanes (frames, lanes, 2)`, full scale 1.0. Lane 0 is the bus itself; further lanes are contributions
to it (one for each printed stem or bundle). Whatever is decided is decided from lane 0 alone, and is
then applied to all lanes alike, by a treatment that is linear in the lane. So lanes that add up to
the bus before a stage add up to it after.

The author of a deciding stage writes, and writes nothing about lanes:

- fields, each with a unit in its name, two bounds, a description and a default;
- `neutral`: the settings that make the stage do nothing;
- `plan(context)`: everything that follows from settings and sample rate, and the treatment that
  carries the decision out; pure, its arrays read-only;
- `memory(plan)`: fresh arrays for what `decide` must remember, if it must remember anything;
- `decide(plan, memory, heard)`: the only place that looks at sound; updates `memory` in place and
  returns the decision its treatment takes;
- `study(context)`, if something about the whole song must be known before (a matched make-up, say):
  it hears a pass and leaves facts, which `plan` finds with `context.known`; without them it plans
  something that can run;
- `explain(plan, totals)`: the verdict and the sentence for the decision log.

There is no flush and no reset: whoever runs a chain feeds silence for its latency and tail and trims
the result, and `start` makes a fresh state. Nobody overrides `start`, `process` or `record`.

A tag promises: the same settings mean the same sound for ever. A change of sound gets a new tag.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, ClassVar, Literal, final

import numpy as np
from numpy.typing import NDArray
from pydantic import ConfigDict, Field

from busproc.settings import Settings
from busproc.stages.context import Condition, Context
from busproc.stages.observe import Spot, Totals
from busproc.stages.study import Study
from busproc.stages.treatments import DelayLine, Treatment

Audio = NDArray[np.float64]
Word = Literal["worked", "slight", "left alone", "not needed"]

REGISTRY: dict[str, type[Stage]] = {}
"""Every stage by its tag, in the order of the module names."""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What follows from settings and rate. Stages that derive more numbers extend it."""

    treatment: Treatment
    lookahead_frames: int = 0
    tail_frames: int = 0
    decides_apart: bool = False
    """Whether a contribution is treated by its own decision and not by that of the bus."""

    @property
    def latency_frames(self) -> int:
        """How much later the sound leaves than it came."""
        return self.lookahead_frames + self.treatment.latency_frames


@dataclass(frozen=True)
class Heard:
    """What a decision may look at: `bus (frames, 2)` and the key inputs `(frames, 2)` by name."""

    bus: Audio
    keys: Mapping[str, Audio]


@dataclass(frozen=True)
class Verdict:
    """What became of a stage: one word, one sentence with a number in it, and the figures."""

    word: Word
    why: str
    did: Mapping[str, Any] = field(default_factory=dict)


@dataclass
class StageState:
    """All that changes while a stage runs: plain arrays, so a copy resumes to the same bits."""

    memory: dict[str, Audio]
    waiting: DelayLine
    treatment: Any
    totals: Totals
    watched: bool
    apart: list[tuple[dict[str, Audio], Any]]
    """Memory and treatment of each contribution that is decided apart."""

    @property
    def exit(self) -> Spot:
        """Where its sound leaves; the stage behind it need not listen there again."""
        return self.totals.exit


class Key(Settings):
    """A sound from elsewhere in the session that a detector listens to."""

    source: Annotated[str, Field(alias="from", min_length=1)]
    """Name of the stem, group or return."""
    tap: Literal["before_chain", "after_chain"] = "after_chain"
    """Where its sound is taken: before its own chain, or after chain and fader."""

    model_config: ClassVar[ConfigDict] = ConfigDict(populate_by_name=True)

    @property
    def name(self) -> str:
        """The name under which its sound is heard."""
        return f"{self.source}:{self.tap}"


class Stage(Settings, ABC):
    """What a chain runs: settings that can be planned, started and fed. Either a `Decider` or a composite."""

    neutral: ClassVar[Mapping[str, Any]]
    """Settings that make the stage return its input."""

    name: Annotated[str, Field(max_length=60)] | None = None
    """A name of your own for this stage, shown in the log."""
    when: Condition | None = None
    """A condition for the stage to be wanted at all, measured over the whole song."""

    @classmethod
    def __pydantic_init_subclass__(cls, **kwargs: Any) -> None:
        """Put a stage under its tag, or refuse it at once when it breaks the rules of naming."""
        super().__pydantic_init_subclass__(**kwargs)
        if "stage" not in cls.model_fields:
            return
        tag, module = cls.model_fields["stage"].default, cls.__module__.rpartition(".")[2]
        if tag in REGISTRY or tag != module or "neutral" not in cls.__dict__:
            raise TypeError(
                f"{cls.__module__}.{cls.__name__}: a stage's tag is its module's name, is used once, "
                f"and comes with neutral settings; this one's tag is {tag!r}"
            )
        REGISTRY[tag] = cls

    @property
    def tag(self) -> str:
        """Its name in chain files."""
        return str(type(self).model_fields["stage"].default)

    def key_inputs(self) -> Iterator[tuple[str, Key]]:
        """Key inputs that it listens to, inner stages' too, each with the JSON path that leads to it."""
        key = getattr(self, "key", None)
        if isinstance(key, Key):
            yield "key", key

    def inner(self) -> Iterator[tuple[str, tuple[Stage, ...]]]:
        """Chains inside a composite, each with the step of the JSON path that leads to it."""
        yield from ()

    def entrance(self, step: str) -> Stage | None:  # noqa: ARG002
        """What the bus passes before it reaches the stages inside at `step`: a band's filters, say."""
        return None

    def study(self, context: Context) -> Study | None:  # noqa: ARG002
        """What must be known of the whole song before the stage can be planned; None for nothing."""
        return None

    @abstractmethod
    def plan(self, context: Context) -> Any:
        """Derive everything that does not depend on sound."""

    @abstractmethod
    def start(
        self, plan: Any, lanes: int, context: Context, *, watched: bool = True, entrance: Spot | None = None
    ) -> Any:
        """Make a fresh state; without `watched` nothing is kept for the log, and no record can be made."""

    @abstractmethod
    def process(self, plan: Any, state: Any, lanes: Audio, keys: Mapping[str, Audio]) -> Audio:
        """Take a block of any size to the block that leaves, `latency_frames` later."""

    @abstractmethod
    def record(self, plan: Any, state: Any, context: Context) -> dict[str, Any]:
        """Tell what was done, for the decision log."""

    def settings(self) -> dict[str, Any]:
        """All settings as JSON values, defaults written out."""
        return self.model_dump(mode="json", by_alias=True, exclude={"stage", "name", "when"})


class Decider(Stage):
    """A stage that decides from the bus and leaves the rest to its treatment."""

    logs_true_peak: ClassVar[bool] = False
    """Whether the true peak before and after is measured for the log."""
    logs_mono_loss: ClassVar[bool] = False
    """Whether what folding to mono costs is measured for the log."""

    @abstractmethod
    def plan(self, context: Context) -> Any:
        """Derive a `Plan`: numbers, and the treatment that carries the decision out."""

    def memory(self, plan: Any) -> dict[str, Audio]:  # noqa: ARG002
        """Fresh arrays for what `decide` must remember from block to block."""
        return {}

    @abstractmethod
    def decide(self, plan: Any, memory: dict[str, Audio], heard: Heard) -> Any:
        """Look at the bus and work out the treatment's next values."""

    @abstractmethod
    def explain(self, plan: Any, totals: Totals) -> Verdict:
        """Judge what was done from its totals."""

    @final
    def start(
        self, plan: Plan, lanes: int, context: Context, *, watched: bool = True, entrance: Spot | None = None
    ) -> StageState:
        """Make a fresh state."""
        lag = context.arrival_frames + plan.lookahead_frames
        return StageState(
            memory=self.memory(plan),
            waiting=DelayLine(plan.lookahead_frames, (lanes, 2)),
            treatment=plan.treatment.start(1 if plan.decides_apart else lanes),
            apart=[
                (self.memory(plan), plan.treatment.start(1)) for _ in range(1, lanes) if plan.decides_apart
            ],
            totals=Totals(
                context.rate_hz,
                lag,
                plan.treatment,
                true_peak=self.logs_true_peak,
                mono_loss=self.logs_mono_loss,
                entrance=entrance,
            ),
            watched=watched,
        )

    @final
    def process(self, plan: Plan, state: StageState, lanes: Audio, keys: Mapping[str, Audio]) -> Audio:
        """Decide on lane 0, wait for the look-ahead, treat every lane."""
        bus = np.ascontiguousarray(lanes[:, 0])
        decision = self.decide(plan, state.memory, Heard(bus, keys))
        waited = state.waiting.push(lanes)
        if state.apart:
            treated = self._treat_apart(plan, state, decision, lanes, waited, keys)
        else:
            treated = plan.treatment.apply(state.treatment, decision, waited)
        if state.watched:
            state.totals.feed(bus, decision, np.ascontiguousarray(treated[:, 0]))
        return treated

    def _treat_apart(
        self,
        plan: Plan,
        state: StageState,
        decision: Any,
        lanes: Audio,
        waited: Audio,
        keys: Mapping[str, Audio],
    ) -> Audio:
        """Treat the bus by its decision, and each contribution by one that hears it alone."""
        treated = [plan.treatment.apply(state.treatment, decision, waited[:, :1])]
        for lane, (memory, treatment) in enumerate(state.apart, 1):
            own = self.decide(plan, memory, Heard(np.ascontiguousarray(lanes[:, lane]), keys))
            treated.append(plan.treatment.apply(treatment, own, waited[:, lane : lane + 1]))
        return np.concatenate(treated, axis=1)

    @final
    def record(self, plan: Plan, state: StageState, context: Context) -> dict[str, Any]:
        """Tell what was done, for the decision log."""
        verdict = self.explain(plan, state.totals)
        return {
            "place": context.place,
            "stage": self.tag,
            **({"name": self.name} if self.name else {}),
            "settings": self.settings(),
            "latency_frames": plan.latency_frames,
            **state.totals.as_dict(),
            "did": dict(verdict.did),
            "verdict": verdict.word,
            "why": verdict.why,
        }
