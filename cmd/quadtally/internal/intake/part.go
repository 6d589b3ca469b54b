package intake

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"path/filepath"
	"regexp"
	"strconv"
)

// Part is one share of a folder's photos, measured apart from the others. The
// zero Part is the whole folder.
type Part struct {
	K int `json:"part"` // from 1
	N int `json:"of"`
}

// maxParts is more than any scheduler hands out for one folder.
const maxParts = 10000

var partWords = regexp.MustCompile(`^([0-9]{1,5})/([0-9]{1,5})$`)

// ParsePart reads "3/16".
func ParsePart(s string) (Part, error) {
	m := partWords.FindStringSubmatch(s)
	if m == nil {
		return Part{}, fmt.Errorf("%q is no part: write it as 3/16, the third of sixteen", s)
	}
	k, _ := strconv.Atoi(m[1])
	n, _ := strconv.Atoi(m[2])
	p := Part{k, n}
	return p, p.Validate()
}

// Validate tells what is wrong with a part.
func (p Part) Validate() error {
	if p.N > maxParts || p.K < 1 || p.K > p.N {
		return fmt.Errorf("part %d/%d does not exist: parts are counted from 1, at most %d of them", p.K, p.N, maxParts)
	}
	return nil
}

func (p Part) String() string { return fmt.Sprintf("%d/%d", p.K, p.N) }

// Contains reports whether a file belongs to the part. Only its path relative to
// the folder decides, so no part needs to look at another's photos, and a file
// keeps its part wherever the folder lies and whatever else is in it.
func (p Part) Contains(rel string) bool {
	if p == (Part{}) {
		return true
	}
	sum := sha256.Sum256([]byte(filepath.ToSlash(rel)))
	return binary.BigEndian.Uint64(sum[:8])%uint64(p.N) == uint64(p.K-1)
}
