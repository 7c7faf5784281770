"""From a finished-part mesh to a ready-to-print foundry pattern kit."""

__version__ = "0.1.0"
