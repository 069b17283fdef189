"""Precharge: find each attempt (`find`), where the contactor closed (`closing`), fit (`fit`), judge (`judge`), say (`check`)."""
