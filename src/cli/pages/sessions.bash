
# Names of sessions, beside what the definition knows.
_loudenough_with_sessions() {
    _loudenough "$@"
    local word=${COMP_WORDS[COMP_CWORD]}
    case ${COMP_WORDS[1]} in
    judge | compare | hold | listen | report | reanalyse | notebook | calibrate | run | swap) ;;
    *) return 0 ;;
    esac
    if [[ $word != -* ]]; then
        COMPREPLY+=($(compgen -W "$(loudenough session-names 2>/dev/null)" -- "$word"))
    fi
}
complete -F _loudenough_with_sessions -o nosort -o bashdefault -o default loudenough
