"""Long runs of what may go wrong in a build: ``python -m tests.endurance``. The tests take a sample."""
