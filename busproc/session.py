"""Session files: what a song is made of and where everything goes."""

from __future__ import annotations

import itertools
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, ConfigDict, Field

from busproc.delivery.orders import Delivery, LevelDb, Name, Tags, Version
from busproc.hits.reinforcing import Reinforce
from busproc.settings import Settings
from busproc.stages.gain import PanLaw

PathText = Annotated[str, Field(min_length=1, max_length=400)]
Tap = Literal["before_chain", "after_chain"]


class Point(Settings):
    """A breakpoint of a ride."""

    at_s: Annotated[float, Field(ge=0, le=86400, strict=True)]
    """Song time."""
    level_db: LevelDb
    """Level there; straight lines in dB lead from point to point."""


def _rising(ride: tuple[Point, ...]) -> tuple[Point, ...]:
    if any(later.at_s <= earlier.at_s for earlier, later in itertools.pairwise(ride)):
        raise ValueError("the points of a ride must come at rising times (at_s)")
    return ride


Ride = Annotated[tuple[Point, ...], Field(max_length=10000), AfterValidator(_rising)]


class Ridden(Settings):
    """Something with a level that may move."""

    level_db: LevelDb = 0.0
    """Level after the chain, the fader."""
    ride: Ride = ()
    """Moves of the level over time, on top of `level_db`."""


class Fader(Ridden):
    """What stems, groups, returns and the mix bus have in common."""

    chain: PathText | None = None
    """Chain file, relative to the session file; null for none."""


class AllPass(Settings):
    """A filter that turns phases and leaves levels as they are."""

    freq_hz: Annotated[float, Field(ge=10, le=20000, strict=True)]
    """Where it turns by -90 degrees, or with a q by -180."""
    q: Annotated[float, Field(ge=0.1, le=20, strict=True)] | None = None
    """How steep the turn is, of a second-order filter; null is first order."""


class Align(Settings):
    """What brings a stem into time and phase with another of the same source."""

    delay_ms: Annotated[float, Field(ge=-50, le=50, strict=True)] = 0.0
    """How much later it comes, to 0.001 frames; negative is earlier, as a late microphone needs it."""
    rotate: Annotated[tuple[AllPass, ...], Field(max_length=2)] = ()
    """All-pass filters, for where time and polarity alone are not enough."""


class Stem(Fader):
    """One recorded track, or the print of several."""

    name: Name
    """Its name in this session."""
    file: PathText
    """Audio file of one or two channels, relative to the session file."""
    reinforce: Reinforce | None = None
    """Samples at the hits of the file, heard in its place; another stem with the same file is what they are
    blended with. null hears the file itself."""
    group: Name | None = None
    """The group it goes to; null goes straight to the mix bus."""
    gain_db: LevelDb = 0.0
    """Trim before the chain."""
    polarity: Literal["as_is", "inverted"] = "as_is"
    """Whether the wave is turned upside down, before the chain."""
    align: Align = Align()
    """Where it comes and how its phases lie against another of the same source, before the chain."""
    pan: Annotated[float, Field(ge=-1, le=1, strict=True)] = 0.0
    """Position after the chain, -1 left to 1 right; the centre changes nothing."""
    pan_law: PanLaw | None = None
    """Pan law; null takes constant_power for a mono file and balance for a stereo one."""
    mute: bool = False
    """A muted stem is silent everywhere, sends and keys included."""
    heard: bool = True
    """false: it feeds no bus and no send, and only serves as a key."""
    start_s: Annotated[float, Field(ge=0, le=86400, strict=True)] | None = None
    """Where its file starts in the song; null honours the file's Broadcast Wave time reference."""
    fade_in_ms: Annotated[float, Field(ge=0, le=60000, strict=True)] = 0.0
    """Fade at the start of the file, a half cosine, before the chain."""
    fade_out_ms: Annotated[float, Field(ge=0, le=60000, strict=True)] = 0.0
    """Fade at the end of the file, a half cosine, before the chain."""


class Group(Fader):
    """A bus for several stems or groups."""

    name: Name
    """Its name in this session."""
    group: Name | None = None
    """The group it goes to; null goes straight to the mix bus."""
    mute: bool = False
    """A muted group is silent everywhere."""


class Return(Fader):
    """A bus fed by sends."""

    name: Name
    """Its name in this session."""
    group: Name | None = None
    """The group it goes to; null goes straight to the mix bus."""
    mute: bool = False
    """A muted return is silent everywhere."""


class Send(Ridden):
    """A copy of a stem, group or return, led to a return."""

    source: Annotated[Name, Field(alias="from")]
    """What is copied."""
    to: Name
    """The return that gets it."""
    tap: Tap = "after_chain"
    """Where the copy is taken: before its chain, or after chain and fader."""

    model_config: ClassVar[ConfigDict] = ConfigDict(populate_by_name=True)


class MixBus(Settings):
    """Where everything comes together. It has no fader: what its chain ends with is final."""

    chain: PathText | None = None
    """Chain file, relative to the session file; null for none."""


class Session(Settings):
    """A song: stems, groups, sends, returns, mix bus, and what to deliver."""

    schema_: Annotated[str | None, Field(alias="$schema")] = None
    """Address of the JSON Schema, for editors; not read."""
    format: Literal["busproc-session/1"] = "busproc-session/1"
    """Kind and version of the file."""
    song: Annotated[str, Field(min_length=1, max_length=120, pattern=r"^[^\x00-\x1f\x7f]*$")]
    """Title; files are named after it."""
    notes: Annotated[str, Field(max_length=4000)] = ""
    """Words of your own, repeated in the decision log."""
    rate_hz: Annotated[int, Field(ge=8000, le=384000, strict=True)] | None = None
    """Sample rate of the song; stems of another are converted. null takes the rate all stems share."""
    stems: Annotated[tuple[Stem, ...], Field(min_length=1, max_length=512)]
    """The recorded tracks, in the order in which they are summed."""
    groups: Annotated[tuple[Group, ...], Field(max_length=128)] = ()
    """Buses for several stems or groups."""
    sends: Annotated[tuple[Send, ...], Field(max_length=1024)] = ()
    """Copies to returns."""
    returns: Annotated[tuple[Return, ...], Field(max_length=64)] = ()
    """Buses fed by sends."""
    mix_bus: MixBus = MixBus()
    """The bus of everything."""
    tags: Tags = Tags()
    """What files say about the song."""
    tail_s: Annotated[float, Field(ge=0, le=600, strict=True)] | None = None
    """How long files go on after the last stem has ended; null is as long as the stages say they ring."""
    versions: Annotated[tuple[Version, ...], Field(max_length=64)] = ()
    """The mix with stems left out, added or trimmed, to be named in `deliver`."""
    deliver: Annotated[tuple[Delivery, ...], Field(min_length=1, max_length=32)] = (Delivery(),)
    """What is written."""
