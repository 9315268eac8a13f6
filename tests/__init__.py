"""The tests of model, service and demo data, the journeys in a browser, and the benchmarks."""
