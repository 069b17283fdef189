"""Before and after a change: two sets of checked captures, compared measure by measure, like with like.

Rates are compared where both sides drove (coarse cells of speed × |current|, `comparison/cells`). There both follow
one smooth law of current and speed, but for a common ratio (`statistics/rate_change`: Poisson regression, score test,
binomial tails scaled to the efficient variance). Where most events of one side happened where the other never drove,
the rate is not comparable. How much events cluster is judged by the gaps between them against that law
(`statistics/clustering`), so that neither load nor the change itself passes for bursts; where both sides have four
runs or more, also by how much runs differ (`statistics/clustering`). Holm's method over all measures.
"""
