
# Names of sessions, or a path to one.
_loudenough_sessions() {
    local -a names
    names=(${(f)"$(loudenough session-names 2>/dev/null)"})
    _describe 'session' names
    _files
}
