"""Agreement between two methods or sensors: limits of agreement, their checks, and a verdict."""

from drift.agreement.bland_altman import AgreementResult, agreement

__all__ = ["AgreementResult", "agreement"]
