"""Pure: what many cycles show. Reliability, order statistics, thresholds of the off time, standard durations."""
