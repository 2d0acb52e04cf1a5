"""The record of a dossier: one set of values for the page, the JSON and the zip.

Sections follow the order of contents of ISO 21043-5:2025 (its list of contents only was seen):
administrative information, integrity of items, uncertainty and significant figures, probabilities,
likelihood ratios, estimations, review. No conformity is claimed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from legibility.evidence.custody import NOT_PROVED, Derived

FORMAT: Final = 1

CONTENTS: Final = (
    ("question", "Question and propositions", "administrative information (5.2)"),
    ("versions", "Versions", "administrative information (5.2)"),
    ("items", "Items and custody", "integrity of items (5.3)"),
    ("pictures", "Pictures", "integrity of items (5.3)"),
    ("uncertainty", "Uncertainty and significant figures", "uncertainty (5.4)"),
    ("readings", "Readings", "probabilities (5.5.2)"),
    ("agreement", "Agreement of readers", "probabilities (5.5.2)"),
    ("ratio", "Likelihood ratio and its uncertainty", "likelihood ratios (5.5.3)"),
    ("alternatives", "Alternatives in the registry", "likelihood ratios (5.5.3)"),
    ("validity", "Validity of such ratios", "likelihood ratios (5.5.3)"),
    ("condition", "Condition of the mark", "estimations (5.5.4)"),
    ("limits", "Limits, and what was not considered", ""),
    ("cautions", "Cautions", ""),
    ("review", "Review", "case-file review (6)"),
)
"""Section, heading, and where the list of contents of ISO 21043-5:2025 has it."""

UNCERTAINTY: Final = (
    "People are shown two significant figures of a ratio; the record holds six, and under "
    '"exact" every figure as it was computed.',
    "The interval of the ratio comes from resampling photos and validation disputes. It does not "
    "hold what another training of the readers would have given.",
    "Probabilities of characters and animals are those of calibrated models; how well calibrated "
    "they are is in the model card (legibility models --card).",
    "Positions of cells are given to a tenth of a pixel of the original.",
)
LIMITS: Final = (
    "Only the mark was read. It may have been applied in error, altered later or be shared by "
    "animals of other herds.",
    "Validity was measured on simulated disputes, not on ears of this herd.",
    "The registry extract holds identifiers, marks, ears and years of birth only. Errors in the "
    "registry are not found by reading a photo.",
    "Originals in the zip hold everything that the camera wrote into them, such as time and place.",
)
CAUTIONS: Final = (
    "A reading is not an official identity.",
    "Altering an official identification, or removing it, may be an offence. Nothing here is "
    "advice to do so.",
    "The ratio is no probability that a claim is true. That also depends on everything else that "
    "is known, which is for those who decide.",
)
DECIDES: Final = "the authority that keeps the registry, or that issued the identification"


def dossier_record(
    case: Mapping[str, Any],
    figures: Mapping[str, Any],
    *,
    pictures: Iterable[Derived],
    versions: Mapping[str, Any],
    unmasking: Sequence[Mapping[str, Any]],
) -> dict[str, Any]:
    """The dossier as plain values.

    Parameters
    ----------
    case : mapping
        Fields of ``pipeline.case_files.Case``.
    figures : mapping
        All that can be computed again: ``readings``, ``comparison``, ``agreement``, ``exact``.
    unmasking : sequence of mapping
        What people saw in which order, from the key of blind readings.
    """
    comparison = figures["comparison"]
    decides = case["authority"] or DECIDES
    return {
        "format": FORMAT,
        "contents": [
            {"section": key, "heading": heading, "iso_21043_5": clause}
            for key, heading, clause in CONTENTS
        ],
        "question": {
            "question": case["question"],
            "propositions": comparison["propositions"],
            "made_at": case["made_at"],
            "made_by": case["made_by"],
            "case": case["number"] or None,
            "case_summary": case["summary"],
            "decides": decides,
        },
        "items": list(case["items"]),
        "chain": case["chain"],
        "not_proved": list(NOT_PROVED),
        "pictures": [
            {
                "title": p.title,
                "file": p.file,
                "sha256": p.sha256,
                "parent_sha256": p.parent_sha256,
                "steps": list(p.steps),
            }
            for p in pictures
        ],
        "figures": dict(figures),
        "unmasking": [
            {
                "what": "the program read the photos without the claims; they were given to it "
                "after the readings",
                "at": case["made_at"],
                "sha256": "",
            },
            *unmasking,
        ],
        "uncertainty": list(UNCERTAINTY),
        "limits": [
            *LIMITS,
            *_several(comparison),
            *comparison["notes"],
            *_photo_limits(figures["readings"]),
        ],
        "not_considered": list(comparison["not_considered"]),
        "review": {
            "reviewed_by": "",
            "reviewed_at": "",
            "remarks": "",
            "how": "legibility rerun CASE.zip computes every figure again and names each that "
            "differs.",
        },
        "versions": dict(versions),
        "cautions": [*CAUTIONS, f"Who decides: {decides}."],
    }


def _several(comparison: Mapping[str, Any]) -> list[str]:
    """What several photos of one ear count, where there are several."""
    if len(comparison["photos"]) < 2:
        return []
    return [
        "Photos of one ear share its faults. The second most telling one counts "
        f"{comparison['repeat']:.2g} of what it says, as measured on pairs of simulated photos; "
        "real ones share more, and only the cap bounds that."
    ]


def _photo_limits(readings: Sequence[Mapping[str, Any]]) -> list[str]:
    """What is wrong with the single photos, by item."""
    return [
        f"Item {reading['item']}: {reason}"
        for reading in readings
        for reason in (
            reading["record"]["reasons"]
            if reading["record"]["status"] != "read"
            else [name.replace("_", " ") for name in reading["record"]["flags"]]
        )
    ]
