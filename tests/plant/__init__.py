"""A physical plant model of a vehicle's air conditioning; makes the demo recordings and seeded truths for tests."""
