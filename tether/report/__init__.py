"""Reports: contact sheets, sidecars, logs and pages about a roll."""
