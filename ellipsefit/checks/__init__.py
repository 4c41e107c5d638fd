"""Self-checks: what was measured, and what files say, against what a mirror can be, before a screw moves."""

from ellipsefit.checks.suspicion import Kind, Suspicion, refuse_or_warn

__all__ = ["Kind", "Suspicion", "refuse_or_warn"]
