"""Workshop of the project: render photos with exact truth, train the part model, run benchmarks."""
