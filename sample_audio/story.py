"""The demo's story: who plays, what the coach says, how he works the clip, and where everybody is when. All invented.

Clip times are seconds of the clip; places are metres on the practice sheet (0..30 from left to right, 0..17 from the
far to the near boards). White attacks to the right.
"""

from __future__ import annotations

from dataclasses import dataclass

CLIP_DURATION_S = 42.0
RINK_M = (30.0, 17.0)
NETS_M = {"red": (27.0, 8.5), "white": (3.0, 8.5)}

ROSTER_COLUMNS = ("name", "number", "team", "role", "position", "nicknames", "say_as")
ROSTER = (
    ("Ruben Tarrant", 17, "white", "focus", "forward", "", "Roo-ben Tarrant"),
    ("Jonas Weir", 9, "white", "", "forward", "Weirsy", "Yo-nas Weir"),
    ("Ellis Corbin", 5, "white", "", "defence", "", ""),
    ("Oskar Penn", 22, "red", "", "defence", "", ""),
    ("Hugo Brenner", 11, "red", "", "forward", "", ""),
    ("Nico Marsh", 4, "red", "", "defence", "", ""),
)
TARRANT, WEIR = "Ruben Tarrant", "Jonas Weir"
PENN, BRENNER, MARSH = "Oskar Penn", "Hugo Brenner", "Nico Marsh"


@dataclass(frozen=True, slots=True)
class Mention:
    """A principle named or described in a sentence; status and kind as in the marked narrations."""

    quote: str
    principle: str
    status: str = "executed"
    kind: str = "call"
    player: str = TARRANT
    possession: int | None = None
    """Only needed in a sentence outside every possession."""


@dataclass(frozen=True, slots=True)
class Say:
    """One spoken sentence."""

    text: str
    possession: int | None = None
    mentions: tuple[Mention, ...] = ()
    claims: tuple[tuple[str, float], ...] = ()
    """What the coach counts, and the value that he says (he can be wrong)."""


@dataclass(frozen=True, slots=True)
class Go:
    """The coach starts the clip; it stops by itself at `until_clip_s`, where he pauses it."""

    until_clip_s: float
    rate: float = 1.0
    from_clip_s: float | None = None
    """Where he drags it first; None goes on from where it stands."""


@dataclass(frozen=True, slots=True)
class Watch:
    """He says nothing until the clip has stopped."""


@dataclass(frozen=True, slots=True)
class Draw:
    """A ring round a player and an arrow, drawn while the picture stands (screen recording only)."""

    number: int
    to_m: tuple[float, float] | None = None


NARRATION: tuple[Say | Go | Watch | Draw, ...] = (
    Say("Okay, this is Ruben Tarrant, number seventeen in white, three on three on the small ice."),
    Say(
        "Three things I want you to look for today: his shoulder checks, how he protects the puck, "
        "and whether he's talking out there.",
        mentions=(
            Mention("shoulder checks", "scan", kind="preview"),
            Mention("protects the puck", "puck-protection", kind="preview"),
            Mention("talking out there", "talk", status="announced", kind="preview"),
        ),
    ),
    Say("Alright, let's roll it."),
    Go(6.0),
    Say("Here's the first one, Ellis is going to find him on the near wall.", 1),
    Watch(),
    Say("Let me take that back, because it happens fast.", 1),
    Go(8.0, from_clip_s=1.2),
    Say("See, he peeks behind him before the puck ever gets there.", 1, (Mention("peeks behind him", "scan"),)),
    Say("Then he spins away from the check, really tight, and he's free.", 1,
        (Mention("spins away from the check, really tight", "escape-turn"),)),
    Watch(),
    Draw(9),
    Say("And over here, look at Jonas, stick flat on the ice, showing him exactly where he wants it.", 1,
        (Mention("stick flat on the ice, showing him exactly where he wants it", "give-target", player=WEIR),)),
    Go(10.6),
    Say("Little bump pass to him, nothing fancy.", 1, (Mention("bump pass", "bump-pass"),)),
    Go(15.6),
    Say("Second touch, he gets it back, and his feet never stop.", 2, (Mention("his feet never stop", "feet-moving"),)),
    Watch(),
    Draw(17, (23.6, 9.6)),
    Say("Now he wants the give and go with Jonas, and I like the idea.", 2,
        (Mention("give and go", "give-and-go", status="attempted"),)),
    Go(18.4),
    Say("But Hugo Brenner gets his stick in the lane, so the return pass never arrives.", 2,
        (Mention("gets his stick in the lane", "stick-on-puck", player=BRENNER),)),
    Say("That's a turnover, and they go the other way with it.", 2),
    Go(27.4),
    Say("The third one starts without the puck.", 3),
    Say("He races back through the middle after Hugo, lifts his stick, and takes it right off him.", 3,
        (Mention("races back through the middle after Hugo", "backcheck"), Mention("lifts his stick", "stick-lift"))),
    Watch(),
    Say("Sorry, my screen just went dark for a second.", 3),
    Draw(5, (19.5, 4.5)),
    Say("Okay, right here, I would have liked him to hold up and wait for Ellis to join him.", 3,
        (Mention("hold up and wait for Ellis", "delay", status="missed"),)),
    Go(29.8),
    Say("Instead he shoots from there, and Nico Marsh drops down in front of it and blocks it.", 3,
        (Mention("drops down in front of it and blocks it", "shot-lane", player=MARSH),)),
    Watch(),
    Say("Last one, number four, and I'll slow it down, so watch the puck protection.", 4,
        (Mention("puck protection", "puck-protection", kind="preview"),)),
    Go(38.4, rate=0.5, from_clip_s=30.4),
    Say("Oskar leans on him, and Ruben keeps his back into him with the puck on the far side.", 4,
        (Mention("keeps his back into him with the puck on the far side", "puck-protection"),)),
    Say("Then he leaves the outside and takes it straight to the middle of the ice.", 4,
        (Mention("takes it straight to the middle of the ice", "attack-middle"),)),
    Say("His eyes go to Jonas, the goalie buys it, and he shoots the other way, and it's in the net.", 4,
        (Mention("His eyes go to Jonas, the goalie buys it, and he shoots the other way", "look-off"),)),
    Watch(),
    Go(CLIP_DURATION_S),
    Watch(),
    Say("So that was five touches for Ruben, and I count thirteen principles, everybody included.",
        claims=(("possessions", 5), ("principles", 13))),
    Say("That shoulder check on the first one bought him all the time he needed.",
        mentions=(Mention("shoulder check", "scan", kind="recap", possession=1),)),
    Say("Good work, Ruben, see you at practice on Thursday."),
)  # fmt: skip

ENDED = {1: "pass", 2: "turnover", 3: "shot", 4: "goal"}

# Skaters: (clip_s, x, y) in metres, joined by smooth curves. Numbers are the shirt numbers; 30 and 31 keep goal.
PATHS: dict[int, tuple[tuple[float, float, float], ...]] = {
    17: ((0, 6.0, 11.5), (1.5, 8.0, 13.6), (3.0, 10.0, 15.0), (4.2, 11.6, 15.2), (5.2, 13.6, 14.9), (5.9, 14.6, 13.9),
         (6.5, 13.7, 12.8), (7.2, 12.3, 12.6), (8.0, 11.6, 11.6), (9.2, 12.4, 10.4), (11.0, 14.5, 10.8),
         (12.4, 16.6, 12.2), (13.6, 18.4, 12.4), (14.6, 20.2, 11.9), (15.6, 22.0, 10.8), (16.4, 23.6, 9.8),
         (17.2, 24.0, 8.2), (18.4, 22.0, 7.8), (19.8, 17.0, 8.2), (21.2, 11.8, 7.6), (22.2, 8.6, 6.6), (23.0, 8.0, 7.8),
         (24.0, 9.8, 9.4), (25.4, 13.8, 9.8), (26.6, 17.4, 9.5), (27.8, 20.4, 9.3), (28.8, 22.2, 10.6),
         (29.8, 24.2, 13.4),
         (30.8, 24.6, 14.8), (32.0, 23.2, 15.2), (33.2, 21.4, 15.1), (34.2, 20.2, 14.0), (35.2, 20.0, 12.2),
         (36.2, 21.0, 10.4), (37.2, 22.6, 9.4), (38.0, 23.6, 9.4), (39.2, 24.4, 11.2), (40.6, 22.4, 13.0),
         (42, 19.6, 12.2)),
    9: ((0, 11.0, 7.0), (2.5, 12.6, 6.2), (5.0, 14.4, 6.6), (7.2, 15.2, 7.6), (8.6, 15.6, 8.0), (9.8, 17.0, 6.6),
        (11.0, 18.0, 5.6), (12.6, 19.6, 4.8), (14.0, 20.2, 4.2), (15.6, 20.9, 4.4), (16.6, 22.0, 4.6),
        (18.4, 20.8, 5.6),
        (20.5, 16.0, 4.6), (22.5, 12.0, 4.4), (24.5, 13.0, 4.4), (26.5, 17.2, 4.6), (28.5, 21.2, 5.2),
        (31.0, 23.0, 6.0),
        (33.5, 22.4, 5.0), (36.0, 23.6, 5.6), (38.0, 25.0, 6.4), (39.6, 24.8, 9.0), (40.8, 22.8, 11.6),
        (42, 20.6, 12.8)),
    5: ((0, 4.6, 5.0), (1.8, 4.2, 6.0), (3.2, 5.0, 7.0), (5.0, 6.8, 7.6), (8.0, 8.6, 7.0), (11.0, 11.0, 6.4),
        (14.0, 14.0, 8.2), (16.5, 15.2, 8.6), (18.4, 13.2, 8.2), (20.4, 9.0, 8.0), (22.5, 5.6, 7.6), (24.5, 6.4, 5.4),
        (27.4, 10.0, 4.4), (29.8, 14.6, 6.4), (32.0, 16.6, 8.6), (35.0, 17.0, 7.2), (38.0, 18.2, 8.0),
        (40.0, 20.6, 10.0),
        (42, 20.2, 11.2)),
    22: ((0, 13.0, 10.4), (2.0, 14.0, 11.6), (3.6, 14.8, 13.2), (4.8, 14.9, 14.6), (5.8, 15.9, 14.9), (6.8, 15.6, 13.6),
         (8.0, 14.4, 12.2), (10.0, 15.6, 11.2), (12.0, 18.4, 10.8), (14.0, 21.0, 10.6), (15.6, 23.2, 10.2),
         (17.2, 23.0, 9.2), (19.0, 19.0, 9.8), (22.0, 14.0, 9.6), (24.5, 14.6, 11.4), (26.5, 18.4, 12.2),
         (28.4, 21.6, 12.2),
         (29.8, 23.4, 13.2), (30.9, 24.0, 14.0), (32.0, 22.8, 14.2), (33.2, 21.6, 14.1), (34.2, 21.2, 13.6),
         (35.4, 21.4, 12.6), (36.6, 21.8, 11.4), (38.0, 23.0, 10.6), (40.0, 23.8, 9.8), (42, 22.6, 9.0)),
    11: ((0, 10.0, 4.2), (2.5, 9.6, 6.4), (5.0, 11.4, 8.6), (8.0, 13.4, 8.6), (10.5, 16.6, 8.2), (12.6, 18.8, 7.6),
         (14.4, 20.8, 7.4), (15.6, 21.6, 7.4), (16.6, 22.2, 6.6), (17.6, 20.6, 6.2), (19.4, 15.0, 5.8),
         (21.0, 10.0, 5.6),
         (22.2, 7.6, 6.0), (23.2, 6.6, 7.4), (25.0, 8.6, 11.0), (27.4, 14.0, 11.6), (29.8, 18.6, 9.8),
         (32.0, 20.2, 8.4),
         (35.0, 19.4, 9.2), (38.0, 21.0, 7.4), (40.0, 21.8, 6.6), (42, 20.4, 6.2)),
    4: ((0, 18.0, 7.4), (3.0, 19.4, 8.4), (6.0, 20.0, 9.6), (9.0, 20.6, 7.0), (12.0, 22.4, 6.2), (14.5, 23.4, 6.8),
        (16.5, 24.4, 7.6), (18.5, 22.6, 9.2), (21.0, 19.4, 8.6), (24.0, 20.6, 7.8), (26.4, 22.6, 8.8),
        (27.6, 23.4, 9.0),
        (28.4, 23.6, 9.1), (29.4, 24.2, 9.4), (31.0, 24.6, 10.4), (33.5, 23.6, 9.0), (36.0, 24.4, 7.4),
        (37.6, 25.0, 8.0),
        (39.5, 25.6, 9.6), (42, 24.6, 10.2)),
    30: ((0, 3.7, 8.3), (10, 3.7, 8.7), (18, 3.8, 8.4), (22, 4.1, 7.4), (24, 3.8, 8.2), (34, 3.7, 8.7), (42, 3.7, 8.3)),
    31: ((0, 26.3, 8.6), (6, 26.3, 9.0), (13, 26.2, 9.2), (15.8, 26.1, 7.6), (19, 26.3, 8.5), (28.2, 26.0, 8.8),
         (31, 26.2, 9.6), (35.6, 26.0, 9.4), (37.4, 26.1, 7.9), (38.6, 26.2, 7.4), (42, 26.4, 8.2)),
}  # fmt: skip
GOALIES = {30: "white", 31: "red"}

# Who has the puck from when (clip seconds), and loose stretches through which it travels: (from_s, shirt or place).
# A shirt number: on that stick. A place in metres: it is there at that time and slides on to the next entry.
PUCK: tuple[tuple[float, int | tuple[float, float]], ...] = (
    (0.0, 5), (3.4, 5), (4.2, 17), (8.1, 17), (8.6, 9), (11.0, 9), (11.7, 17), (14.5, 17), (15.1, 9), (15.8, 9),
    (16.4, 11),
    (22.2, 11), (22.4, 17), (28.1, 17), (28.4, (23.3, 9.1)), (29.3, (26.2, 13.9)), (29.9, (25.4, 16.3)), (30.6, 17),
    (37.9, 17), (38.2, (27.6, 9.3)), (42.0, (27.9, 9.2)),
)  # fmt: skip

# Where a skater looks when not along his way: (shirt, from_s, to_s, place). The two head checks and the look-off.
LOOKS = (
    (17, 1.9, 2.4, (16.0, 10.0)), (17, 2.4, 2.9, (4.6, 7.0)), (17, 2.9, 3.4, (15.0, 11.5)), (17, 3.4, 4.2, (5.0, 7.0)),
    (17, 36.3, 37.8, (25.0, 6.0)), (9, 5.5, 8.6, (11.6, 11.6)), (31, 36.4, 37.9, (24.8, 6.2)),
)  # fmt: skip
# Where a stick points when not along the way: a target shown, a stick in the lane, the puck on the far side, a lift.
STICKS = (
    (9, 5.5, 8.6, (11.6, 11.6)), (9, 14.9, 15.8, (23.6, 9.6)), (11, 15.5, 16.5, (23.2, 6.4)),
    (17, 21.8, 22.3, (7.4, 6.0)),
    (17, 27.7, 28.2, (26.0, 9.0)), (17, 30.9, 34.3, (22.0, 19.0)), (17, 37.5, 38.2, (27.5, 9.4)),
    (4, 27.8, 29.0, (21.0, 9.3)),
)  # fmt: skip
# Sounds of the clip (clip seconds): stick on puck, puck on boards, sticks on the ice for the goal.
HITS_S = (3.4, 4.2, 8.1, 8.6, 11.0, 11.7, 14.5, 15.1, 15.8, 16.4, 22.3, 28.1, 37.9)
THUDS_S = (28.4, 29.9, 38.2)
CHEER_S = (38.8, 39.1, 39.4, 39.7, 40.0)
