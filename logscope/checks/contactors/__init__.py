"""Contactors: chatter, order, dropouts, openings under load, welded contacts.

`switching_history` holds what all questions share; then one file a question: `chatter`, `order`, `load`, `dropout`,
`welded`; `check` asks them all, `text` has their texts. Openings are an observation (`observations/dc_link`).
"""
