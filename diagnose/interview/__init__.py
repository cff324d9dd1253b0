"""The interview: a pure function from what was asked and answered to the next step."""
