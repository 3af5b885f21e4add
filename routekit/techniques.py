"""The techniques: one record each, from which every list of techniques is derived.

What a technique is stands here and nowhere else; what it does stands in the room that does it,
found by the words of its record: its new pipe in `pipes.new_pipes`, its checks in `methods`, its
harm in `advice.technique_harm`, its items of work in `advice.work_items`. Its life is a row of
`advice/tables/technique_life.csv`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias, get_args

from routekit.words.texts import message

Tone: TypeAlias = Literal["still", "within", "pulled", "trench"]
"""Colour of the sign on the maps, by its name in `outputs/map/palette.json`."""

NewPipe: TypeAlias = Literal[
    "old pipe",
    "kept clear",
    "mended",
    "cured liner",
    "close-fit liner",
    "slipped pipe",
    "burst, same size",
    "burst, larger",
    "re-laid",
]
"""What pipe a technique leaves."""

KEEPS_WALL: Final[tuple[NewPipe, ...]] = ("old pipe", "kept clear", "mended")
"""What leaves the old wall in the flow: no new pipe or liner from end to end."""

Digging: TypeAlias = Literal[
    "nothing", "spots", "connections", "connections and own pit", "string works", "trench"
]
"""What a technique digs; `spots` are the collapsed places alone, `string works` the pits of a pull
string and all its small digs."""

Joining: TypeAlias = Literal["left", "robot", "dug", "trench"]
"""How connections are reopened: not at all, from inside, in small digs, in the trench."""

Lie: TypeAlias = Literal["wall", "axis", "foot", "invert"]
"""Where the new pipe lies in the old one: along its wall, on its axis, on its invert, or with the
new invert where the old one was."""

Work: TypeAlias = Literal[
    "inspection",
    "root cutting",
    "short liners",
    "cured liner",
    "cured liner and spots",
    "close-fit liner",
    "slipped string",
    "burst string",
    "trench",
]
"""Items of work: which list of `routekit.advice.work_items`."""

Answer: TypeAlias = Literal["sound run", "inspected run", "any run"]
"""Which runs a technique can be the answer for: those that need no work, those that somebody has
looked into, or all."""

Seen: TypeAlias = Literal["leave", "inside", "pits", "trench"]
"""What a resident sees of the works."""


NOTHING: Final = message("nothing recommended until a person decides")
"""Name of what is recommended where nothing is."""


@dataclass(frozen=True, kw_only=True)
class Sign:
    """How a run of this technique is drawn on the maps.

    Attributes
    ----------
    letter : str
        One letter, which no other technique has: in drawings of the works, in brackets.
    mark : str
        Its mark on the map, which no other technique has: the path (SVG, filled even-odd) of a
        plain shape within 6 of the middle, and no letter or figure, which beside the number of a
        run would be read as part of it.
    tone : Tone
    width_px : float
    dash : tuple of int
        Lengths of dash and gap, px; empty for a line without gaps.
    """

    letter: str
    mark: str
    tone: Tone
    width_px: float
    dash: tuple[int, ...]


@dataclass(frozen=True, kw_only=True)
class Technique:
    """Everything that sets one technique apart; no field has a default.

    Attributes
    ----------
    code : str
        As in tables, study files and decisions.
    name, phrase : str
        Its name by itself, and within a sentence.
    new_pipe : NewPipe
    checks : str
        Module and function in `routekit.methods` that list its checks: `module.function`.
    limits : str
        Group of `routekit.methods.settings.MethodSettings` that holds the limits of these checks.
    answers : Answer
    digs : Digging
    joins : Joining
    lies : Lie
    keeps_shape : bool
        Whether a bore that is no circle keeps its shape.
    roots_return : bool
        Whether it leaves ends and connections through which roots come back, to be cut again beside
        it; no where cutting them again is the technique itself.
    needs_clear_bore : bool
        Whether roots must be cut before the works.
    work : Work
    sign : Sign
    seen : Seen
    told_as : str
        Key of its sentence under `works` in `outputs/public/sentences.toml`; `inside` and `pits`
        fit any technique that residents see so.
    usual_days : tuple of int or None
        Usual working days, fewest and most; None where nothing is done.
    days_for : {"manhole", "spot"}
        What these days are counted for: from one manhole to the next, or each damaged spot.

    Raises
    ------
    ValueError
        If a word is none of those that its field allows.
    """

    code: str
    name: str
    phrase: str
    new_pipe: NewPipe
    checks: str
    limits: str
    answers: Answer
    digs: Digging
    joins: Joining
    lies: Lie
    keeps_shape: bool
    roots_return: bool
    needs_clear_bore: bool
    work: Work
    sign: Sign
    seen: Seen
    told_as: str
    usual_days: tuple[int, int] | None
    days_for: Literal["manhole", "spot"]

    def __post_init__(self) -> None:
        """Hold every word to those that its field allows."""
        allowed = {
            "new_pipe": NewPipe,
            "answers": Answer,
            "digs": Digging,
            "joins": Joining,
            "lies": Lie,
            "work": Work,
            "seen": Seen,
        }
        for name, words in allowed.items():
            if (given := getattr(self, name)) not in get_args(words):
                known = ", ".join(get_args(words))
                raise ValueError(f"{self.code}: {name} {given!r} is none of {known}")
        if self.sign.tone not in get_args(Tone):
            raise ValueError(f"{self.code}: tone {self.sign.tone!r} is not in the palette")

    @property
    def is_renewal(self) -> bool:
        """Whether the old pipe is gone: what follows a repair or a liner when it has served."""
        return self.new_pipe in ("burst, same size", "burst, larger", "re-laid")

    @property
    def is_through(self) -> bool:
        """Whether a new pipe goes in through the old one, under whatever stands above."""
        return self.is_whole and self.new_pipe != "re-laid"

    @property
    def is_whole(self) -> bool:
        """Whether it leaves a new pipe or liner from end to end."""
        return self.new_pipe not in KEEPS_WALL

    @property
    def is_maintenance(self) -> bool:
        """Whether it is done again and again and leaves the defect as it is."""
        return self.new_pipe == "kept clear"


RECORDS: Final = (
    Technique(
        code="monitor",
        name="Leave and monitor",
        phrase="monitoring alone",
        new_pipe="old pipe",
        checks="monitor.list_checks",
        limits="monitor",
        answers="sound run",
        digs="nothing",
        joins="left",
        lies="wall",
        keeps_shape=True,
        roots_return=False,
        needs_clear_bore=False,
        work="inspection",
        sign=Sign(
            letter="M",
            mark="M-3.6-4H-.9V4H-3.6ZM.9-4H3.6V4H.9Z",
            tone="still",
            width_px=3.0,
            dash=(),
        ),
        seen="leave",
        told_as="monitor",
        usual_days=None,
        days_for="manhole",
    ),
    Technique(
        code="cut_roots",
        name="Cut roots and watch",
        phrase="cutting roots and watching",
        new_pipe="kept clear",
        checks="root_cutting.list_checks",
        limits="root_cutting",
        answers="inspected run",
        digs="nothing",
        joins="left",
        lies="wall",
        keeps_shape=True,
        roots_return=False,
        needs_clear_bore=False,
        work="root cutting",
        sign=Sign(
            letter="W",
            mark="M2.4-5L4.6-3.6-2.4 5-4.6 3.6Z",
            tone="within",
            width_px=3.0,
            dash=(8, 3),
        ),
        seen="inside",
        told_as="cut_roots",
        usual_days=(1, 1),
        days_for="manhole",
    ),
    Technique(
        code="local_repair",
        name="Local repair",
        phrase="local repair",
        new_pipe="mended",
        checks="repair.list_checks",
        limits="repair",
        answers="inspected run",
        digs="nothing",
        joins="left",
        lies="wall",
        keeps_shape=True,
        roots_return=True,
        needs_clear_bore=True,
        work="short liners",
        sign=Sign(
            letter="R",
            mark="M-1.5-5H1.5V-1.5H5V1.5H1.5V5H-1.5V1.5H-5V-1.5H-1.5Z",
            tone="within",
            width_px=5.0,
            dash=(3, 9),
        ),
        seen="inside",
        told_as="local_repair",
        usual_days=(1, 2),
        days_for="spot",
    ),
    Technique(
        code="cipp",
        name="Cured-in-place pipe (CIPP)",
        phrase="a cured-in-place liner (CIPP)",
        new_pipe="cured liner",
        checks="lining.list_cipp_checks",
        limits="lining",
        answers="any run",
        digs="nothing",
        joins="robot",
        lies="wall",
        keeps_shape=True,
        roots_return=True,
        needs_clear_bore=True,
        work="cured liner",
        sign=Sign(
            letter="C", mark="M0-5.4L5.4 0 0 5.4-5.4 0Z", tone="within", width_px=5.0, dash=()
        ),
        seen="inside",
        told_as="cipp",
        usual_days=(1, 2),
        days_for="manhole",
    ),
    Technique(
        code="close_fit",
        name="Close-fit lining",
        phrase="close-fit lining",
        new_pipe="close-fit liner",
        checks="lining.list_close_fit_checks",
        limits="lining",
        answers="any run",
        digs="nothing",
        joins="robot",
        lies="foot",
        keeps_shape=False,
        roots_return=True,
        needs_clear_bore=True,
        work="close-fit liner",
        sign=Sign(
            letter="F",
            mark="M2.6-4.6A5.2 5.2 0 1 0 2.6 4.6 4.9 4.9 0 0 1 2.6-4.6Z",
            tone="within",
            width_px=5.0,
            dash=(14, 4),
        ),
        seen="inside",
        told_as="close_fit",
        usual_days=(1, 2),
        days_for="manhole",
    ),
    Technique(
        code="dig_and_line",
        name="Dig and line",
        phrase="digging up the collapsed place and lining the run (CIPP)",
        new_pipe="cured liner",
        checks="lining.list_dig_and_line_checks",
        limits="lining",
        answers="inspected run",
        digs="spots",
        joins="robot",
        lies="wall",
        keeps_shape=True,
        roots_return=True,
        needs_clear_bore=True,
        work="cured liner and spots",
        sign=Sign(
            letter="D",
            mark="M-4.4-4.4H4.4V4.4H-4.4ZM0-2.4A2.4 2.4 0 1 0 0 2.4 2.4 2.4 0 1 0 0-2.4Z",
            tone="within",
            width_px=5.0,
            dash=(9, 3, 2, 3),
        ),
        seen="inside",
        told_as="inside",
        usual_days=(2, 4),
        days_for="manhole",
    ),
    Technique(
        code="slip_lining",
        name="Slip lining (loose-fit)",
        phrase="slip lining",
        new_pipe="slipped pipe",
        checks="lining.list_slip_checks",
        limits="lining",
        answers="any run",
        digs="connections and own pit",
        joins="dug",
        lies="foot",
        keeps_shape=False,
        roots_return=True,
        needs_clear_bore=True,
        work="slipped string",
        sign=Sign(
            letter="S",
            mark="M0-2.6A2.6 2.6 0 1 0 0 2.6 2.6 2.6 0 1 0 0-2.6Z",
            tone="within",
            width_px=5.0,
            dash=(5, 4),
        ),
        seen="pits",
        told_as="slip_lining",
        usual_days=(2, 4),
        days_for="manhole",
    ),
    Technique(
        code="burst_same",
        name="Pipe bursting, size for size",
        phrase="pipe bursting size for size",
        new_pipe="burst, same size",
        checks="bursting.list_checks",
        limits="bursting",
        answers="any run",
        digs="string works",
        joins="dug",
        lies="axis",
        keeps_shape=False,
        roots_return=False,
        needs_clear_bore=False,
        work="burst string",
        sign=Sign(
            letter="B",
            mark="M0-5.8L1.5-1.5 5.8 0 1.5 1.5 0 5.8-1.5 1.5-5.8 0-1.5-1.5Z",
            tone="pulled",
            width_px=6.0,
            dash=(),
        ),
        seen="pits",
        told_as="burst_same",
        usual_days=(3, 5),
        days_for="manhole",
    ),
    Technique(
        code="burst_upsized",
        name="Pipe bursting, upsized",
        phrase="pipe bursting to a larger size",
        new_pipe="burst, larger",
        checks="bursting.list_checks",
        limits="bursting",
        answers="any run",
        digs="string works",
        joins="dug",
        lies="axis",
        keeps_shape=False,
        roots_return=False,
        needs_clear_bore=False,
        work="burst string",
        sign=Sign(
            letter="U",
            mark="M0-5.9L1.1-2.8 4.2-4.2 2.8-1.1 5.9 0 2.8 1.1 4.2 4.2 1.1 2.8 0 5.9-1.1 2.8"
            "-4.2 4.2-2.8 1.1-5.9 0-2.8-1.1-4.2-4.2-1.1-2.8Z",
            tone="pulled",
            width_px=8.0,
            dash=(16, 5),
        ),
        seen="pits",
        told_as="burst_same",
        usual_days=(3, 6),
        days_for="manhole",
    ),
    Technique(
        code="open_cut",
        name="Open cut",
        phrase="open cut",
        new_pipe="re-laid",
        checks="open_cut.list_checks",
        limits="open_cut",
        answers="any run",
        digs="trench",
        joins="trench",
        lies="invert",
        keeps_shape=False,
        roots_return=False,
        needs_clear_bore=False,
        work="trench",
        sign=Sign(
            letter="T",
            mark="M-5.4-2H5.4A5.4 5.4 0 0 1-5.4-2Z",
            tone="trench",
            width_px=7.0,
            dash=(4, 3),
        ),
        seen="trench",
        told_as="open_cut",
        usual_days=(5, 15),
        days_for="manhole",
    ),
)
"""All techniques, least digging first; this order is the order everywhere."""


def list_codes(holds: Callable[[Technique], bool]) -> tuple[str, ...]:
    """List the codes of the techniques of which something holds.

    Parameters
    ----------
    holds : callable
        Takes a record, gives a bool.

    Returns
    -------
    tuple of str
        In the order of `RECORDS`.

    Examples
    --------
    >>> list_codes(lambda one: one.new_pipe.startswith("burst"))
    ('burst_same', 'burst_upsized')
    """
    return tuple(one.code for one in RECORDS if holds(one))


OWN_PIT: Final = list_codes(lambda one: one.digs == "connections and own pit")
"""Techniques that take a pit of each run's own, which is sized and set out nowhere."""


def find_code(holds: Callable[[Technique], bool], what: str) -> str:
    """Find the one technique of which something holds.

    Parameters
    ----------
    holds : callable
        Takes a record, gives a bool.
    what : str
        What holds, for the error.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        If it holds of no technique, or of several.

    Examples
    --------
    >>> find_code(lambda one: one.seen == "trench", "seen as a trench")
    'open_cut'
    """
    found = list_codes(holds)
    if len(found) != 1:
        raise ValueError(f"one technique must be {what}, not {len(found)}: {', '.join(found)}")
    return found[0]


def _check_signs() -> None:
    """Refuse techniques that cannot be told apart by code or on a map."""
    told: dict[str, list[object]] = {
        "code": [one.code for one in RECORDS],
        "name": [one.name for one in RECORDS],
        "letter": [one.sign.letter for one in RECORDS],
        "mark": [one.sign.mark for one in RECORDS],
        "tone and dash": [(one.sign.tone, one.sign.dash) for one in RECORDS],
    }
    for what, signs in told.items():
        if len(set(signs)) < len(signs):
            raise ValueError(f"two techniques have the same {what}: {signs}")


_check_signs()

BY_CODE: Final = {one.code: one for one in RECORDS}
"""Technique code to its record."""

TECHNIQUES: Final = {one.code: one.name for one in RECORDS}
"""Technique code to its name, least digging first."""

TECHNIQUE_PHRASES: Final = {one.code: one.phrase for one in RECORDS}
"""Technique code to its name within a sentence."""

MONITOR: Final = find_code(lambda one: one.new_pipe == "old pipe", "leaving the old pipe")
"""The technique that does nothing: runs of any other are worked on."""

CUTTING: Final = find_code(lambda one: one.is_maintenance, "kept clear of roots")
"""The technique that is repeated and leaves the defect: chosen only where its owner accepts it."""

OPEN_CUT: Final = find_code(lambda one: one.digs == "trench", "dug as a trench")
"""The technique that all others are set against."""

LININGS: Final = tuple(one.code for one in RECORDS if one.is_through and one.needs_clear_bore)
"""Techniques that renew the run from within the old bore, which must be clear of roots."""

BURSTING: Final = (
    find_code(lambda one: one.new_pipe == "burst, same size", "bursting to the same size"),
    find_code(lambda one: one.new_pipe == "burst, larger", "bursting to a larger size"),
)
"""Techniques that renew runs in strings, together with others or not at all: the same size, a
larger one."""

ROOTED_AGAIN: Final = list_codes(lambda one: one.roots_return)
"""Techniques that leave ends and connections through which roots come back."""
