"""One readout on one sighting on its way through the checks, and what it says by itself."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from extractor.calibration.model import Calibration, Readout
from extractor.judging.deciding import Answer, Answers
from extractor.judging.forms import Form, Forms
from extractor.judging.units import drawn_contradiction
from extractor.records import Reading, Sighting

UNSURE = 0.999
"""A text less probable than this is not released, whatever the checks say.

Until the trust study has measured the readers, none of them claims more than 0.9999, so at most one
in ten thousand of the best readings is wrong and at most one in a thousand of the worst released;
the checks have to find nine in ten of these to reach one in a hundred thousand. A word or a summary
card has few checks, so the threshold stands as near to the readers' best as leaves room for two
readers that agree but are not at their best."""

CLEAREST = 0.9999
"""Most that readers claim."""

PASSED = 0.9999965
"""What is claimed for a figure of which readers claim that, and against which no check speaks.

Sets of the trust study had shown none wrong of 852 689 released, whatever readers claimed, since
letters that readers mistake are looked for (at most 3.5e-6, Clopper and Pearson 1934, one-sided
95 %); the next 663 777 had one (all: 3.2e-6). A word has fewer checks, and is not in that study;
nor are people, whose answers release others."""

WORTH = ((0.69, 0.79, 0.89), (0.79, 0.95, 0.92))
"""What figures that are not released are worth where readers claim from and to: of 1 133 on sets A
and B of the trust study 126 were wrong, of 1 242 with more up to 0.95 96, where they were not ruled
out. In steps, as isotonic regression gives it (Zadrozny and Elkan 2002, "Transforming classifier
scores into accurate multiclass probability estimates"); from 0.95 on as many were wrong as was
said."""

WORTH_OF_MARKS = ((0.05, 0.69, 0.9),)
"""The same of marks of no value, which alone claim so little: 32 of 32 were right."""

NOTABLE_LOOK = 0.1
"""A look that gives another figure at least this probability is heard."""

CONTRADICTED = 0.998
"""Most confidence in a figure of which such a look gives another: of 872 on sets A and B of the
trust study to which the readers gave 0.999 or more one was wrong."""

RULED_OUT = frozenset({"wrong-form", "wrong-decimals", "out-of-bounds"})
IMPOSSIBLE = 0.01
"""Reasons by which a text cannot be what was drawn, whatever readers claim, and the most confidence
left: of 282 on sets A and B of the trust study all were wrong."""

LARGEST_BOX_ERROR = 1 / 18
"""Largest predicted error of a box (one sigma) as a share of the figure's height."""

WIDEST_EDGE = 0.4
"""A stroke's edge wider than this share of the figure's height is blurred: strokes of letters are
a seventh to a fifth of their height wide (common practice), so neighbours have run together."""


@dataclass(slots=True, eq=False)
class Entry:
    """One reading under judgement.

    ``at`` is its sighting's place. ``text`` and ``form`` are what is judged: a person's answer
    where one holds, else what was read. ``doubts`` are sentences by code, in order of finding.
    ``most`` is the most that may be claimed for it. ``tracks`` are the places of its values in the
    tracks of the checks along time.
    """

    at: int
    layout: Calibration
    readout: Readout
    reading: Reading
    forms: Forms
    text: str
    form: Form
    answer: Answer | None
    doubts: dict[str, str] = field(default_factory=dict)
    most: float = 1.0
    tracks: tuple[int, ...] = ()

    @property
    def certain(self) -> bool:
        """A person gave this figure."""
        return (
            self.answer is not None
            and self.answer.doubt is None
            and self.answer.settles
            and not self.form.doubts
        )

    @property
    def trusted(self) -> bool:
        """It has a value, and nothing so far speaks against it."""
        return bool(self.form.values) and (self.certain or not self.doubts)

    def doubt(self, code: str, why: str) -> None:
        """Add a doubt; a further sentence of one code is added to the first."""
        told = self.doubts.get(code)
        if told is None:
            self.doubts[code] = why
        elif why not in told:
            self.doubts[code] = f"{told}; {why}"


class _Layout:
    def __init__(self, calibration: Calibration) -> None:
        self.calibration = calibration
        self.readouts = {
            readout.name: (order, readout, Forms(calibration, readout))
            for order, readout in enumerate(calibration.readout)
        }


def enter(
    sightings: Sequence[Sighting], calibrations: Mapping[str, Calibration], answers: Answers
) -> list[list[Entry]]:
    """Look at every reading by itself: a list a sighting, by layout's name and readout order."""
    layouts = {key: _Layout(each) for key, each in calibrations.items()}
    entered = []
    for at, sighting in enumerate(sightings):
        entries = [
            _enter(at, sighting, reading, layouts[reading.layout], answers)
            for reading in sighting.frame.readings
        ]
        entries.sort(
            key=lambda each: (
                each.layout.name,
                each.layout.id,
                layouts[each.layout.id].readouts[each.readout.name][0],
            )
        )
        entered.append(entries)
    return entered


def _enter(
    at: int, sighting: Sighting, reading: Reading, layout: _Layout, answers: Answers
) -> Entry:
    _, readout, forms = layout.readouts[reading.readout]
    frame = sighting.frame
    answer = answers.find(frame.content, frame.pts, reading)
    text, form = reading.text, Form()
    if answer is not None and answer.settles:
        text = answer.text
        form = forms.decided(text) if answer.doubt is None else Form()
    elif reading.box is not None and text:
        form = forms.of(text)
    entry = Entry(at, layout.calibration, readout, reading, forms, text, form, answer)
    if answer is not None and answer.doubt is not None:
        entry.doubt(answer.doubt.code, answer.doubt.why)
    for doubt in form.doubts:
        entry.doubt(doubt.code, doubt.why)
    if answer is None or not answer.settles:
        _look_alone(entry, sighting)
    return entry


def _look_alone(entry: Entry, sighting: Sighting) -> None:
    """Add the doubts that need no other reading."""
    reading, frame = entry.reading, sighting.frame
    if reading.box is None:
        entry.doubt("not-shown", f"{entry.readout.name} is not shown on this capture")
        return
    if not reading.text:
        entry.doubt("unreadable", "nothing was read in the box")
    else:
        _look_at_text(entry)
    if reading.cut:
        entry.doubt("cut-off", f"ink of {reading.text or 'the figure'} touches the edge of its box")
    height = reading.height or reading.box.h
    if reading.box_error > LARGEST_BOX_ERROR * height:
        entry.doubt(
            "badly-located",
            f"the box may be wrong by {reading.box_error:.2f} px, more than 1/18 of the figure's "
            f"{height:.1f} px",
        )
    if 0 < reading.sharpness * height < 1 / WIDEST_EDGE:
        entry.doubt(
            "blurred",
            f"the steepest edge is {1 / reading.sharpness:.1f} px wide on a figure of "
            f"{height:.1f} px",
        )
    for found in frame.found:
        if found.rivals and found.layout == reading.layout:
            entry.doubt("which-layout", f"{', '.join(found.rivals)} was found on the same place")
    if frame.changing:
        entry.doubt("changing", "the overlay changes within one frame of this one")
    if sighting.facts_fault:
        entry.doubt("facts-disagree", sighting.facts_fault)


def _look_at_text(entry: Entry) -> None:
    reading = entry.reading
    if reading.probability < UNSURE:
        entry.doubt(
            "unsure",
            f"the readers give {reading.text} a probability of {reading.probability:.4f}, "
            f"less than {UNSURE}",
        )
    if reading.unit_seen and (why := drawn_contradiction(reading.unit_seen, entry.readout)):
        entry.doubt("other-unit", why)
    for look in reading.looks:
        if (
            look.text != reading.text
            and look.probability >= NOTABLE_LOOK
            and _another_figure(entry, look.text)
        ):
            entry.most = CONTRADICTED
            entry.doubt(
                "readers-differ", f"{look.reader} reads {look.text} ({look.probability:.2g})"
            )


def _another_figure(entry: Entry, text: str) -> bool:
    """Tell whether ``text`` is a figure that may stand there, and another one than the text read.

    What lies out of bounds is no rival, here as in ``evidence``: a scene's stroke before a battery
    level is no minus sign.
    """
    if not text:
        return False
    form = entry.forms.of(text)
    if any(doubt.code == "out-of-bounds" for doubt in form.doubts):
        return False
    if entry.readout.kind == "word" or form.missing or entry.form.missing:
        return True
    said = [value.value for value in form.candidates]
    return bool(said) and said != [value.value for value in entry.form.candidates]
