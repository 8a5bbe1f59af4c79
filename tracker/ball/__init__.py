"""Pictures -> Sightings: where a ball was seen, how well, how big, how streaked."""
