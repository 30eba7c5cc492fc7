"""Which lot (supplier, site, model) is worse, by how much, and how much evidence is needed to say so."""

from sensorhealth.compare.lots import Money, lots

__all__ = ["Money", "lots"]
