"""The camera on the network: a PTP/IP responder (CIPA DC-005) on this computer only."""
