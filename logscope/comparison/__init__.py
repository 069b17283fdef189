"""Before and after a change: two sets of checked captures, compared measure by measure, like with like."""
