"""
The families of traces that the characterisation scores, each a recipe or two.

Ranges without a source in `characterise_breath.py` or `characterise_disturbances.py` are our judgement. Swings at
the device: pleural swings after operations have been seen from 2–6 cm[H2O] (median 3.4) with fluid in the chest to
8–16 (10.7) without (Zielinska-Krawczyk et al., BMC Pulm Med 2018;18:36) and 13 between the extremes of an hour
(Refai et al., Eur J Cardiothorac Surg 2012;41:831); a long or narrowed tube passes on less, so 1–15, evenly on a
log scale. `clean` has a ward's rates, and so have `cough` and `motion`, which are `clean` with one thing more; the hard
families spread theirs evenly.
"""

from __future__ import annotations

from dataclasses import replace

from tests.evaluation.characterise_breath import SHAPES
from tests.evaluation.characterise_traces import Recipe

OPEN = (1.0, 15.0)  # cm[H2O], an open tube
SMALL = (0.8, 1.2)  # cm[H2O], just above what counts as breathing
CLEAN = Recipe("clean", swing=OPEN, rate=(9, 34), ward_rates=True, drift=(0, 0.5), noise=(0.02, 0.05))
COUGH = replace(CLEAN, name="cough", cough=(0.05, 0.40))
MOTION = replace(CLEAN, name="motion", motion=(0.05, 0.40))
IRREGULAR = Recipe("irregular", swing=OPEN, cv_time=(0.20, 0.35), cv_depth=(0.30, 0.50), heart=(0.1, 0.4))
FAULTY = Recipe("steps", swing=OPEN, steps=(1, 2))

# Clean, and nobody there: a blocked or clamped tube, and a lung that is up and sealed, where the heart still shows.
BLOCKED = CLEAN.without_breath(name="clean, blocked")
LUNG_UP = CLEAN.without_breath(name="clean, lung up", heart=(0.05, 0.2))

HARD_BREATHING = (
    IRREGULAR,
    Recipe("slow", swing=OPEN, rate=(7.5, 8.5), heart=(0.1, 0.4)),
    Recipe("fast", swing=OPEN, rate=(33, 37), heart=(0.1, 0.4)),
    Recipe("small", swing=SMALL, heart=(0.1, 0.4)),
    Recipe("over the pump", swing=OPEN, pump=(0.3, 2), heart=(0.05, 0.3)),
    Recipe("small over the pump", swing=SMALL, pump=(0.3, 1), heart=(0.05, 0.3)),
)
HARD_NULLS = (
    Recipe("pump alone", pump=(0.3, 3)),
    Recipe("heart alone", heart=(0.2, 0.8)),
    Recipe("pump and heart", pump=(0.3, 2), heart=(0.1, 0.5)),
)

# What a search over the whole band could take for breath: each must stay below the stated chance of a false alarm.
STRUCTURED_NULLS = (
    Recipe("white noise", noises=("white",), noise=(0.05, 0.5)),
    Recipe("AR(1) noise", noises=("ar1",), noise=(0.05, 0.5)),
    Recipe("1/f noise", noises=("pink",), noise=(0.05, 0.5)),
    Recipe("drift", drift=(1, 6)),
    Recipe("steps alone", steps=(1, 3)),
    Recipe("walking throughout", motion=(0.9, 1.0), motions=("walk",)),
    Recipe("restless throughout", motion=(0.8, 1.0)),
    Recipe("coughing on a sealed lung", cough=(0.05, 0.6), cough_height=(3, 20)),
    *HARD_NULLS,
)

FAULTS = (
    FAULTY,
    replace(FAULTY, name="saturated", steps=(0, 0), saturated=(0.05, 0.5)),
    replace(FAULTY, name="stuck", steps=(0, 0), stuck=(0.1, 1.0)),
    replace(FAULTY, name="dropouts", steps=(0, 0), dropped=(0.05, 0.6)),
    replace(FAULTY, name="rounded to 0.5", steps=(0, 0), quantum=0.5),
)
INVERTED = replace(CLEAN, name="inverted", inverted=1.0)
VENTILATED = replace(CLEAN, name="ventilated", shapes=("ventilator",))
RECORDED = (
    replace(CLEAN, name="recorded, quiet", shapes=("recorded_peakdet",)),
    replace(CLEAN, name="recorded, at a task", shapes=("recorded_systole",)),
)
OWN_CURVES = ("raised_cosine", "exponential", "paused")
# Deep sleep makes breathing regular (Cabiddu et al., Front Physiol 2012;3:45); how regular is our judgement.
ASLEEP = replace(
    CLEAN, name="asleep", shapes=OWN_CURVES, cv_time=(0.02, 0.05), cv_depth=(0.03, 0.10), sigh=0.0
)
UNEVEN = (
    replace(CLEAN, name="apnoea", apnoea=(10, 20), shapes=OWN_CURVES),
    replace(CLEAN, name="waxing and waning", waxing=(40, 60), shapes=OWN_CURVES),
    replace(CLEAN, name="child", rate=(36, 46), ward_rates=False),
)
PARTLY = Recipe("partly blocked", swing=(0.15, 0.45))

SWEEP = Recipe("sweep", swing=(4, 4), rate=(15, 15), shapes=SHAPES, drift=(0, 0.5), inverted=0.1)
