package main

import (
	"fmt"
	"strings"
	"unicode"

	"github.com/urfave/cli/v2"
)

func completionCommand(s *session) *cli.Command {
	return &cli.Command{
		Name: "completion", Usage: "print a script that completes what is typed", UsageText: "steadybath completion bash|zsh|fish",
		Description: describe("The shell then offers commands, flags, and the names of baths, constituents,\nmaterials and anodes as the records have them. It starts no server for that.\nFor bash the first example goes into ~/.bashrc.",
			"source <(steadybath completion bash)",
			"steadybath completion zsh > ~/.zfunc/_steadybath",
			"steadybath completion fish > ~/.config/fish/completions/steadybath.fish"),
		Action: func(c *cli.Context) error {
			const which = "steadybath completion bash, zsh or fish"
			words := c.Args().Slice()
			if len(words) != 1 {
				return wrongWords(which, "completion wants the name of one shell")
			}
			script, ok := completionScripts[words[0]]
			if !ok {
				return wrongWords(which, "there is no script for %q", words[0])
			}
			_, err := fmt.Fprint(s.stdout, script)
			return err
		},
	}
}

// completionScripts ask the tool itself, so that they never grow old. A path
// that was typed is asked itself; an alias or a name goes by PATH.
var completionScripts = map[string]string{
	"bash": `# Completion of steadybath for bash, printed by: steadybath completion bash
_steadybath() {
    local line files= program=steadybath
    case $1 in
    "~/"*) program=$HOME/${1#"~/"} ;;
    */*) program=$1 ;;
    esac
    COMPREPLY=()
    while IFS= read -r line; do
        case $line in
        $'\tfiles') files=yes ;;
        *) COMPREPLY+=("$line") ;;
        esac
    done < <("$program" complete bash "${COMP_WORDS[@]:1:COMP_CWORD}" 2>/dev/null </dev/null)
    if [[ ${#COMPREPLY[@]} -eq 0 ]]; then
        [[ -z $files ]] || compopt -o default 2>/dev/null || true
    elif [[ ${COMPREPLY[0]} == *= ]]; then
        compopt -o nospace 2>/dev/null || true
    fi
    return 0
}
complete -F _steadybath steadybath
`,
	"zsh": `#compdef steadybath
# Completion of steadybath for zsh, printed by: steadybath completion zsh
_steadybath() {
    local line word what files= program=steadybath tab=$'\t'
    local -a plain shown open openshown
    case ${(Q)words[1]} in
    \~/*) program=$HOME/${${(Q)words[1]}#\~/} ;;
    */*) program=${(Q)words[1]} ;;
    esac
    while IFS= read -r line; do
        if [[ $line == "${tab}files" ]]; then
            files=yes
            continue
        fi
        word=${line%%$tab*}
        what=${line#*$tab}
        [[ -z $what ]] || what="  -- $what"
        if [[ $word == *= ]]; then
            open+=("$word") openshown+=("$word$what")
        else
            plain+=("$word") shown+=("$word$what")
        fi
    done < <("$program" complete zsh "${(@Q)words[2,CURRENT-1]}" "${(Q)PREFIX}" 2>/dev/null </dev/null)
    (( ! $#plain )) || compadd -l -d shown -a plain
    (( ! $#open )) || compadd -S '' -l -d openshown -a open
    [[ -z $files ]] || _files
}
if [[ $funcstack[1] == _steadybath ]]; then
    _steadybath "$@"
else
    compdef _steadybath steadybath
fi
`,
	"fish": `# Completion of steadybath for fish, printed by: steadybath completion fish
function __steadybath_complete
    set -l words (commandline -opc)
    set -l cur (commandline -ct)
    set -l program steadybath
    if string match -q '*/*' -- $words[1]
        set program (string replace -r '^~' $HOME -- $words[1])
    end
    for line in ($program complete fish $words[2..-1] "$cur" 2>/dev/null </dev/null)
        if test "$line" = \tfiles
            __fish_complete_path "$cur"
        else
            echo $line
        end
    end
end
complete -c steadybath -f -k -a '(__steadybath_complete)'
`,
}

// bashWord is the word at the cursor as bash has it.
type bashWord struct {
	quote byte   // " or ' where one is open, else 0
	head  string // what stands before the part that bash replaces: it parts words at = and : too
}

// reply writes a word so that bash puts it at the cursor and reads it as one.
func (b bashWord) reply(word string) string {
	if after, ok := cutFold(word, b.head); ok {
		word = after
	}
	switch b.quote {
	case '\'':
		return strings.ReplaceAll(word, "'", `'\''`)
	case '"':
		return strings.NewReplacer(`\`, `\\`, `"`, `\"`, "$", `\$`, "`", "\\`").Replace(word)
	}
	var out strings.Builder
	for _, r := range word {
		if !unicode.IsLetter(r) && !unicode.IsDigit(r) && !strings.ContainsRune("_./:=@%+,-", r) {
			out.WriteByte('\\')
		}
		out.WriteRune(r)
	}
	return out.String()
}

// redirects tells whether what is typed is where the answer goes; bash alone
// leaves that to the completion.
func redirects(parts []string) bool {
	if len(parts) < 2 {
		return false
	}
	before := parts[len(parts)-2]
	return strings.ContainsAny(before, "<>") && strings.Trim(before, "<>&|0123456789") == ""
}

// bashWords takes bash's own parts of the line, with their quotes, for words as
// a program would get them.
func bashWords(parts []string) (words []string, last bashWord) {
	breaks := func(p string) bool { return p != "" && strings.Trim(p, "=:@") == "" }
	var raw []string
	for i, p := range parts {
		if i > 0 && (breaks(p) || breaks(parts[i-1])) && len(raw) > 0 {
			if i == len(parts)-1 {
				last.head = unquote(raw[len(raw)-1])
			}
			raw[len(raw)-1] += p
			continue
		}
		raw = append(raw, p)
	}
	end := parts[len(parts)-1]
	if breaks(end) {
		last.head += end
	} else if end != "" && (end[0] == '"' || end[0] == '\'') {
		last.quote = end[0]
	}
	for _, r := range raw {
		words = append(words, unquote(r))
	}
	return words, last
}

// unquote takes a shell's quotes off a word, the last of which may still be
// open.
func unquote(word string) string {
	var out strings.Builder
	var quote rune
	escaped := false
	for _, r := range word {
		switch {
		case escaped:
			if quote == '"' && !strings.ContainsRune("\\\"$`", r) {
				out.WriteByte('\\')
			}
			out.WriteRune(r)
			escaped = false
		case r == '\\' && quote != '\'':
			escaped = true
		case quote == 0 && (r == '"' || r == '\''):
			quote = r
		case r == quote:
			quote = 0
		default:
			out.WriteRune(r)
		}
	}
	return out.String()
}
