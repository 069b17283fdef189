"""Does what is mapped fit together? Asked before any check: `examine` takes out what does not, with a finding each."""
