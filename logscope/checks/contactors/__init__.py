"""Contactors: `history` (what all questions share), then one file a question: `chatter`, `order`, `load`, `dropout`,
`welded`; `check` asks them all. Openings are found in `checks/openings.py`.
"""
