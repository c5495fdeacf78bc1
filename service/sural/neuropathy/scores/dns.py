"""Diabetic Neuropathy Symptom score, 0 to 4. A yes counts when it happened several times a week in the last two weeks.

Source: Meijer et al., Diabet Med 2002;19:962; items, window and 1 or more were seen in a secondary page.
"""

from sural.neuropathy.scores.score import Band, ScoreTable, either_present
from sural.neuropathy.sources import seen

DNS = ScoreTable(
    "dns",
    "Diabetic Neuropathy Symptom score",
    items=(
        either_present("unsteady walking", "unsteadiness", sided=False),
        either_present("burning, aching pain or tenderness", "foot-pain-neuropathic"),
        either_present("prickling", "foot-tingling"),
        either_present("numbness", "foot-numbness"),
    ),
    bands=(Band("none", 0), Band("present", 1)),
    citation=seen("Meijer et al., Diabet Med 2002;19:962", "secondary page"),
    band_citation=seen("Meijer et al. 2002", "1 or more, secondary page"),
)
