"""What the codes that explain a referral mean: factors, and reasons to act at once."""

from sural.footrisk.factors import DISPLAYS

THREATS = {
    "ulcer-with-ischaemia": "Ulcer with arterial disease",
    "deep-infection-concern": "Concern for deep soft-tissue or bone infection",
    "ulcer-with-systemic-signs": "Ulcer with fever or signs of sepsis",
    "infection-with-systemic-signs": "Infection with fever or signs of sepsis",
}
REASONS: dict[str, str] = {**DISPLAYS, **THREATS}
