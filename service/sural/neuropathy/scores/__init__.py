"""Published scores, one module each. None that needs permission."""

from sural.evidence.rulebook import Rulebook
from sural.exam.as_if import as_if_heard
from sural.exam.examination import Examination
from sural.neuropathy.scores.dne import DNE
from sural.neuropathy.scores.dns import DNS
from sural.neuropathy.scores.mnsi import MNSI_EXAM_8, MNSI_EXAM_10, MNSI_QUESTIONNAIRE
from sural.neuropathy.scores.nds import NDS
from sural.neuropathy.scores.nis_ll import NIS_LL
from sural.neuropathy.scores.nss import NSS
from sural.neuropathy.scores.score import Score, ScoreTable
from sural.neuropathy.scores.sensory_neuronopathy import SENSORY_NEURONOPATHY
from sural.neuropathy.scores.tcss import TCSS

TABLES: tuple[ScoreTable, ...] = (
    TCSS,
    NDS,
    NSS,
    MNSI_QUESTIONNAIRE,
    MNSI_EXAM_8,
    MNSI_EXAM_10,
    DNE,
    DNS,
    NIS_LL,
    SENSORY_NEURONOPATHY,
)


_BOOK = Rulebook(TABLES, lambda table: table.concepts)


def score(exam: Examination) -> tuple[Score, ...]:
    """Every score of which at least one item was recorded. What could not be used keeps a total open up to what it might have added."""
    scores = _score(exam)
    if not exam.unheard:
        return scores
    feared = {one.id: one for one in _score(as_if_heard(exam))}
    return tuple(one.up_to(feared[one.id]) if one.id in feared else one for one in scores)


def _score(exam: Examination) -> tuple[Score, ...]:
    recorded = exam.recorded
    return tuple([table.score(exam, recorded) for table in _BOOK.about(recorded)])


__all__ = ["TABLES", "Score", "ScoreTable", "score"]
