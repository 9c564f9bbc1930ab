
# Names of sessions, beside what the definition knows.
complete -c loudenough -n "__fish_seen_subcommand_from judge compare hold listen report reanalyse notebook calibrate run swap" -a "(loudenough session-names 2>/dev/null)"
