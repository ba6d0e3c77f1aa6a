"""The science: pure functions and estimators, without files, network, clock or practice."""
