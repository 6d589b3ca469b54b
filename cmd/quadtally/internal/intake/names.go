package intake

import (
	"fmt"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// PathText writes a path as text that can be stored and sent anywhere: a name
// may hold bytes that are no UTF-8, which databases and JSON cannot carry. Such
// a byte becomes U+FFFD and its two hexadecimal digits; every other path stays
// as it is. [PathOfText] is the inverse.
func PathText(path string) string {
	if utf8.ValidString(path) && !strings.ContainsRune(path, utf8.RuneError) {
		return path
	}
	var b strings.Builder
	for i := 0; i < len(path); {
		r, n := utf8.DecodeRuneInString(path[i:])
		if r != utf8.RuneError {
			b.WriteRune(r)
		} else {
			for _, c := range []byte(path[i : i+n]) { // also of a U+FFFD that is in the name itself
				fmt.Fprintf(&b, "\ufffd%02X", c)
			}
		}
		i += n
	}
	return b.String()
}

var escapedByte = regexp.MustCompile("\ufffd[0-9A-F]{2}")

// PathOfText gives the path back that [PathText] wrote.
func PathOfText(text string) string {
	return escapedByte.ReplaceAllStringFunc(text, func(e string) string {
		n, _ := strconv.ParseUint(e[len("\ufffd"):], 16, 8)
		return string([]byte{byte(n)})
	})
}

// Shown is a name as it may be put on a screen: control characters, marks that
// turn the direction of writing, and bytes that are no text are shown by their
// codes, so that no name can steer a terminal or pass for another.
func Shown(name string) string {
	plain := func(r rune) bool { return unicode.IsPrint(r) || r == '\u00a0' }
	if utf8.ValidString(name) && strings.IndexFunc(name, func(r rune) bool { return !plain(r) }) < 0 {
		return name
	}
	var b strings.Builder
	for i := 0; i < len(name); {
		r, n := utf8.DecodeRuneInString(name[i:])
		switch {
		case r == utf8.RuneError && n == 1:
			fmt.Fprintf(&b, "\\x%02x", name[i])
		case plain(r):
			b.WriteRune(r)
		case r < 0x80:
			fmt.Fprintf(&b, "\\x%02x", r)
		default:
			fmt.Fprintf(&b, "\\u%04x", r)
		}
		i += n
	}
	return b.String()
}

// Moved finds photos of the record whose file was renamed or moved: the path
// they were known under is gone and their bytes lie elsewhere. It returns the
// new paths by content. pathOf are the known paths by content; gone reports a
// path that holds those bytes no more.
func Moved(pathOf map[string]string, s *Scan, gone func(path, hash string) bool) map[string]string {
	out := map[string]string{}
	for _, f := range s.Files {
		was, known := pathOf[f.Hash]
		if !known || was == f.Path || slices.Contains(s.Copies[f.Hash], was) || !gone(was, f.Hash) {
			continue
		}
		out[f.Hash] = f.Path
	}
	return out
}

// SheetRow is one row of a list that says which photo is which.
type SheetRow struct {
	Line int
	Path string // as written: a file name, or with folders before it
	Spot Spot
}

// SheetClash is a row of such a list that does not say which photo it means, or
// contradicts another.
type SheetClash struct {
	Row    SheetRow
	Photos []string // paths it may mean; nil where none has the name
	Other  int      // line of the row that says otherwise; 0 where there is none
}

// MatchSheet finds the photos that the rows of a list mean. A row with folders
// in its path means the photo whose path ends so; a bare file name means the
// one photo that has it. Letters of either case match where nothing else does.
func MatchSheet(rows []SheetRow, paths []string) (map[string]Spot, []SheetClash) {
	byBase := map[string][]string{}
	for _, p := range paths {
		k := strings.ToLower(filepath.Base(p))
		byBase[k] = append(byBase[k], p)
	}
	out := map[string]Spot{}
	lines := map[string]int{}
	var clashes []SheetClash
	for _, row := range rows {
		want := filepath.ToSlash(filepath.Clean(strings.ReplaceAll(row.Path, `\`, "/")))
		var found []string
		for _, exact := range []bool{true, false} {
			for _, p := range byBase[strings.ToLower(filepath.Base(want))] {
				if endsIn(filepath.ToSlash(p), want, exact) {
					found = append(found, p)
				}
			}
			if len(found) > 0 {
				break
			}
		}
		if len(found) != 1 {
			clashes = append(clashes, SheetClash{Row: row, Photos: found})
			continue
		}
		if was, twice := out[found[0]]; twice && was != row.Spot {
			clashes = append(clashes, SheetClash{Row: row, Photos: found, Other: lines[found[0]]})
			continue
		}
		out[found[0]], lines[found[0]] = row.Spot, row.Line
	}
	return out, clashes
}

// endsIn reports a path that ends in whole names of another.
func endsIn(path, end string, exact bool) bool {
	if !exact {
		path, end = strings.ToLower(path), strings.ToLower(end)
	}
	return path == end || strings.HasSuffix(path, "/"+strings.TrimPrefix(end, "/")) && !strings.HasPrefix(end, "/")
}

// counter finds the number a camera gave a photo, at the end of its name.
var counter = regexp.MustCompile(`([0-9]{4})[^0-9]*$`)

// counters are the cameras' own numbers of photos, by index; where a group
// holds both ends of the count and nothing between, the count went over 9999
// and the low numbers come after the high ones.
func (id *identifier) counters(idx []int) map[int]int {
	out := map[int]int{}
	low, high := false, false
	for _, i := range idx {
		if id.photos[i].Taken != "" {
			return nil // time tells the order
		}
		name := filepath.Base(id.photos[i].Path)
		m := counter.FindStringSubmatch(strings.TrimSuffix(name, filepath.Ext(name)))
		if m == nil {
			return nil
		}
		out[i], _ = strconv.Atoi(m[1])
		low, high = low || out[i] < 1000, high || out[i] >= 9000
		if out[i] >= 1000 && out[i] < 9000 {
			return nil
		}
	}
	if !low || !high {
		return nil
	}
	for i, n := range out {
		if n < 1000 {
			out[i] = n + 10_000
		}
	}
	return out
}
