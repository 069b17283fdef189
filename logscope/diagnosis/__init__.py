"""One story: findings of one origin are joined into an explanation, with what to do first.

A graph of causes and signs (`causes`, `signs`) says how often each cause shows each sign. The signs that the findings
of a log show, and those that were looked for and are absent, weigh every combination of a few causes against the others
(`network`): a noisy-OR network in two layers. The combination that explains them best is what is reported; each cause
with its likelihood, the findings that it explains, what speaks for it and against it, and the next rival (`explain`).

The network is that of Pearl, Probabilistic Reasoning in Intelligent Systems (1988), section 4.3.2. Its probabilities
are common practice of commissioning, no published source: they are coarse, and what they decide is scored on drives of
known faults (`tests/diagnosis/explanation_score.py`).
"""
