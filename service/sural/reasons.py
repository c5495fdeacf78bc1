"""What the codes that explain a referral mean: factors, reasons to act at once, patterns and red flags of a neuropathy."""

from sural.footrisk.factors import DISPLAYS
from sural.neuropathy.codes import CODES

THREATS = {
    "ulcer-with-ischaemia": "Ulcer with arterial disease",
    "deep-infection-concern": "Concern for deep soft-tissue or bone infection",
    "ulcer-with-systemic-signs": "Ulcer with fever or signs of sepsis",
    "infection-with-systemic-signs": "Infection with fever or signs of sepsis",
}
FOOT_REASONS: dict[str, str] = {**DISPLAYS, **THREATS}
REASONS: dict[str, str] = {**CODES, **FOOT_REASONS}
