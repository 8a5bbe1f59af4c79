"""The versions, oldest first: ``v1_launches``, ``v2_reasons_and_notes``, ``v3_onward``."""
