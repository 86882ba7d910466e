"""The schema's versions, in plain SQL; run by `stripdown migrate`."""
