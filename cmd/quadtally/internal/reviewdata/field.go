package reviewdata

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
	"unicode"

	"quadtally/cmd/quadtally/internal/record"
	"quadtally/cmd/quadtally/internal/review"
	"quadtally/cmd/quadtally/internal/season"
	"quadtally/cmd/quadtally/internal/trial"
	"quadtally/vision"
)

// Folders inside the trial's. Files on their way lie in a hidden one, which no
// search for photos enters; whole ones lie under the phone's own names.
const (
	incomingDir = ".incoming"
	phoneDir    = "photos/phone"
)

var _ review.Field = (*Backend)(nil)

// Walk lists the quadrats of a visit in walking order.
func (b *Backend) Walk(ctx context.Context, visit int) (review.Walk, error) {
	listed, err := b.Season(ctx)
	if err != nil {
		return review.Walk{}, err
	}
	snap, err := b.snapshot(ctx)
	if err != nil {
		return review.Walk{}, err
	}
	if visit < 1 || visit > len(snap.Trial.Visits) {
		visit = visitNear(snap.Trial.Visits, trial.DateOf(time.Now()))
	}
	w := review.Walk{Trial: listed.Trial, Visit: visit, Observer: b.author, Rule: listed.Rule, Classes: listed.Classes, Visits: listed.Visits[:len(snap.Trial.Visits)]}
	photo, counted := map[record.QuadratAt]bool{}, snap.Counted()
	for i := range snap.Photos {
		if p := &snap.Photos[i]; p.InUse() {
			photo[p.Place.Spot()] = true
		}
	}
	for _, p := range snap.Plots {
		for q := 1; q <= max(1, snap.Trial.Quadrat.PerPlot); q++ {
			at := record.QuadratAt{Plot: p.ID, Quadrat: q, Visit: visit}
			w.Quadrats = append(w.Quadrats, review.WalkSpot{Plot: p.ID, Quadrat: q, Photo: photo[at], Counted: counted[at]})
		}
	}
	return w, nil
}

// visitNear is the visit planned nearest to a day.
func visitNear(visits []trial.Date, day trial.Date) int {
	best, far := 0, 0
	for i, v := range visits {
		d := v.DaysTo(day)
		if d < 0 {
			d = -d
		}
		if best == 0 || d < far {
			best, far = i+1, d
		}
	}
	return best
}

// doorLife is how long a phone that scanned the code may come in again after
// the page was started anew: a day in the field.
const doorLife = 12 * time.Hour

func doorOf(dir string) string { return filepath.Join(dir, incomingDir, "door.json") }

// Door brings back the phone's door of an earlier run; nil where there is none,
// or none that still holds.
func (b *Backend) Door() *review.Door {
	info, err := os.Stat(doorOf(b.store.Dir()))
	if err != nil || time.Since(info.ModTime()) > doorLife {
		return nil
	}
	content, err := os.ReadFile(doorOf(b.store.Dir()))
	var d review.Door
	if err != nil || json.Unmarshal(content, &d) != nil || len(d.Key) < 32 || len(d.Token) < 32 {
		return nil
	}
	return &d
}

// KeepDoor keeps the phone's door for the next run, for its owner alone. Where
// it cannot be kept, a phone scans the code again.
func (b *Backend) KeepDoor(d review.Door) {
	if content, err := json.Marshal(d); err == nil && os.MkdirAll(filepath.Join(b.store.Dir(), incomingDir), 0o755) == nil {
		os.WriteFile(doorOf(b.store.Dir()), content, 0o600)
	}
}

func certificateOf(dir string) string { return filepath.Join(dir, incomingDir, "certificate.pem") }

// Certificate brings back what the phone was served with in an earlier run,
// with its key; nil where there is none.
func (b *Backend) Certificate() []byte {
	content, _ := os.ReadFile(certificateOf(b.store.Dir()))
	return content
}

// KeepCertificate keeps it for the next run, for its owner alone. Where it
// cannot be kept, the phone asks again whether to trust.
func (b *Backend) KeepCertificate(pem []byte) {
	if os.MkdirAll(filepath.Join(b.store.Dir(), incomingDir), 0o755) == nil {
		os.WriteFile(certificateOf(b.store.Dir()), pem, 0o600)
	}
}

func (b *Backend) partOf(key string) string {
	return filepath.Join(b.store.Dir(), incomingDir, key+".part")
}

// Received tells how much of a file has come.
func (b *Backend) Received(_ context.Context, key string) (review.Progress, error) {
	info, err := os.Stat(b.partOf(key))
	if errors.Is(err, os.ErrNotExist) {
		return review.Progress{}, nil
	}
	if err != nil {
		return review.Progress{}, err
	}
	return review.Progress{Have: info.Size()}, nil
}

// Upload adds a piece to a file on its way. Once the file is whole it is put
// under its name, taken in and measured like any other photo.
func (b *Backend) Upload(ctx context.Context, p review.Piece) (review.Progress, error) {
	b.acting.Lock()
	defer b.acting.Unlock()
	if b.store.ReadOnly() {
		return review.Progress{}, review.ErrReadOnly
	}
	part := b.partOf(p.Key)
	if err := os.MkdirAll(filepath.Dir(part), 0o755); err != nil {
		return review.Progress{}, err
	}
	f, err := os.OpenFile(part, os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return review.Progress{}, err
	}
	defer f.Close()
	have, err := f.Seek(0, io.SeekEnd)
	if err != nil {
		return review.Progress{}, err
	}
	if have > p.Total {
		// Of another file or another try: it begins anew.
		have = 0
		if err := f.Truncate(0); err != nil {
			return review.Progress{}, err
		}
	}
	if p.Offset != have {
		if have < p.Total {
			return review.Progress{Have: have}, nil
		}
	} else {
		n, err := io.Copy(f, io.LimitReader(p.Body, p.Total-have+1))
		if err == nil && have+n > p.Total {
			err = review.Refusal{Text: "more came of the photo than it says it has: send it again"}
		}
		if err != nil {
			// What came of a broken piece is dropped, so that the next one fits.
			return review.Progress{Have: have}, errors.Join(err, f.Truncate(have))
		}
		have += n
	}
	if have < p.Total {
		return review.Progress{Have: have}, nil
	}
	if err := f.Sync(); err != nil {
		return review.Progress{}, err
	}
	v, err := b.arrived(ctx, part, p.Name)
	return review.Progress{Have: have, Verdict: v}, err
}

// arrived takes a whole file in. A file whose content is known already is not
// kept twice.
func (b *Backend) arrived(ctx context.Context, part, name string) (*review.Verdict, error) {
	defer b.reread()
	content, err := os.ReadFile(part)
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(content)
	hash := hex.EncodeToString(sum[:])
	snap, err := b.store.Snapshot(ctx)
	if err != nil {
		return nil, err
	}
	if p, ok := snap.Photo(hash); ok {
		v := verdict(snap, p)
		v.Known = true
		return &v, os.Remove(part)
	}
	path, err := b.keep(part, name, content)
	if err != nil {
		return nil, err
	}
	if _, err := b.season.Photos(b.ctx, snap, []string{path}, season.Change{}, nil); err != nil {
		if none := (*season.NoPhotosError)(nil); errors.As(err, &none) {
			return &review.Verdict{Name: name, Bad: []string{"this is no photo that can be read"}}, nil
		}
		return nil, err
	}
	if snap, err = b.store.Snapshot(ctx); err != nil {
		return nil, err
	}
	p, ok := snap.Photo(hash)
	if !ok {
		return &review.Verdict{Name: name, Bad: []string{"this is no photo that can be read"}}, nil
	}
	v := verdict(snap, p)
	v.Next = b.nextSpot(ctx, v)
	return &v, nil
}

// keep moves a whole file under the phone's name for it, or that name with a
// number where another photo has it.
func (b *Backend) keep(part, name string, content []byte) (string, error) {
	dir := filepath.Join(b.store.Dir(), filepath.FromSlash(phoneDir))
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", err
	}
	name = safeName(name)
	ext := filepath.Ext(name)
	stem := strings.TrimSuffix(name, ext)
	for i := 1; ; i++ {
		path := filepath.Join(dir, name)
		if i > 1 {
			path = filepath.Join(dir, fmt.Sprintf("%s-%d%s", stem, i, ext))
		}
		// Link refuses a name that is taken, so that no photo is overwritten.
		err := os.Link(part, path)
		if errors.Is(err, os.ErrExist) {
			if was, _ := os.ReadFile(path); slices.Equal(was, content) {
				return path, os.Remove(part) // a try that ended before the photo was taken in
			}
			continue
		}
		if err == nil {
			return path, os.Remove(part)
		}
		// A file system without links: written anew, and only then dropped.
		f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o644)
		if errors.Is(err, os.ErrExist) {
			continue
		}
		if err != nil {
			return "", err
		}
		_, err = f.Write(content)
		if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
			return "", errors.Join(err, os.Remove(path))
		}
		return path, os.Remove(part)
	}
}

// safeName makes a file name of what a phone calls a photo.
func safeName(name string) string {
	name = name[strings.LastIndexAny(name, `/\`)+1:]
	name = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || strings.ContainsRune(`:*?"<>|`, r) {
			return '_'
		}
		return r
	}, name)
	if name = strings.TrimLeft(name, ". "); name == "" {
		name = "photo"
	}
	if r := []rune(name); len(r) > 60 { // its end tells more, and holds the suffix
		name = string(r[len(r)-60:])
	}
	return name
}

// shortWords say a doubt on a phone.
var shortWords = map[vision.FlagCode]string{
	vision.FlagBlur: "blurred", vision.FlagShadow: "partly in shadow", vision.FlagClipped: "too bright in places",
	vision.FlagCrushed: "too dark in places", vision.FlagCast: "colours are off", vision.FlagGlints: "wet leaves glint",
	vision.FlagPanorama: "a panorama, not one photo", vision.FlagTwoFrames: "two frames in it",
	vision.FlagDoubtfulFrame: "the frame may lie elsewhere",
	vision.FlagMat:           "green like moss on the ground", vision.FlagFaint: "much ground is faintly green",
	vision.FlagTwoWays:  "green is unsure: shade the whole frame",
	vision.FlagTwoCards: "two plot cards in it", vision.FlagCutFrame: "frame cut off", vision.FlagTilt: "taken at a slant",
	vision.FlagCoarse: "taken from too far off", vision.FlagNoGround: "no bare ground in it",
	vision.FlagThing: "something green that may be no plant", vision.FlagPrintSize: "corner marks of another size",
	vision.FlagProfile: "its colours cannot be told for sure", vision.FlagFaded: "next to no colours",
	vision.FlagRedPlants: "red or purple plants",
}

// mostShade is the share of the ground in strong shadow from which a photo is
// taken again. A choice of this program: the number often stands, but while one
// kneels there another photo costs seconds.
const mostShade = 0.25

// takeAgain reports a doubt for which another photo is taken while one kneels.
// What grows on the ground would be the same in another photo.
func takeAgain(f vision.Flag) bool {
	if f.Code == vision.FlagMat || f.Code == vision.FlagFaint || f.Code == vision.FlagRedPlants {
		return false
	}
	return f.Severity == vision.MustLook || f.Code == vision.FlagBlur || f.Code == vision.FlagShadow && f.Value > mostShade
}

// verdict tells what a photo is worth, without any number of green in it.
func verdict(snap *record.Snapshot, p *record.Photo) review.Verdict {
	v := review.Verdict{Name: filepath.Base(p.Path), Plot: p.Place.Plot, Quadrat: p.Place.Quadrat, Visit: p.Place.Visit, Good: []string{}, Bad: []string{}}
	if p.State() == record.PhotoUnread {
		v.Bad = append(v.Bad, p.Fault)
		return v
	}
	var m struct {
		Card  string
		Frame *struct{}
	}
	if err := json.Unmarshal(p.Doc, &m); err != nil {
		v.Bad = append(v.Bad, "not measured")
		return v
	}
	say := func(ok bool, good, bad string) {
		if ok {
			v.Good = append(v.Good, good)
		} else {
			v.Bad = append(v.Bad, bad)
		}
	}
	say(m.Card != "", "card read", "no card was read")
	if opt, err := season.VisionOptions(snap); err == nil && opt.FrameMM[0] > 0 {
		say(m.Frame != nil, "frame found", "no frame was found")
	}
	again := p.State() == record.PhotoUnmeasured
	has := map[vision.FlagCode]bool{}
	for _, f := range season.Doubts(p) {
		if f.Code == vision.FlagRedPlants || f.Code == vision.FlagWideRange {
			continue // another photo of the same ground would not change it
		}
		again = again || takeAgain(f)
		if has[f.Code] {
			continue
		}
		has[f.Code] = true
		words := cmp.Or(shortWords[f.Code], f.Text)
		if f.Code == vision.FlagShadow && f.Value > mostShade {
			words = fmt.Sprintf("%.0f %% in shadow", 100*f.Value)
		}
		v.Bad = append(v.Bad, words)
	}
	if p.State() != record.PhotoUnmeasured {
		if !has[vision.FlagBlur] {
			v.Good = append(v.Good, "sharp")
		}
		if !has[vision.FlagShadow] && !has[vision.FlagClipped] && !has[vision.FlagCrushed] {
			v.Good = append(v.Good, "light even")
		}
	}
	// Without a card its place in the walk may still be found, or asked later.
	v.Keep = !again && (m.Card != "" || p.State() == record.PhotoInUse || p.State() == record.PhotoAwaitsPlace && p.Place.State == record.PlaceProposed)
	return v
}

// nextSpot is the quadrat that is walked to next: the first without a photo
// after this one, else the first at all.
func (b *Backend) nextSpot(ctx context.Context, v review.Verdict) *review.WalkSpot {
	b.reread()
	w, err := b.Walk(ctx, v.Visit)
	if err != nil {
		return nil
	}
	at := slices.IndexFunc(w.Quadrats, func(q review.WalkSpot) bool { return q.Plot == v.Plot && q.Quadrat == v.Quadrat })
	for _, q := range slices.Concat(w.Quadrats[at+1:], w.Quadrats[:at+1]) {
		if !q.Photo && (q.Plot != v.Plot || q.Quadrat != v.Quadrat) {
			return &q
		}
	}
	return nil
}

// FieldCount stores a count made in the field. Its key stands in the source of
// what is stored, by which a count that is sent again is known.
func (b *Backend) FieldCount(ctx context.Context, c review.FieldCount) (string, error) {
	end, err := b.begin()
	if err != nil {
		return "", err
	}
	defer end()
	snap, err := b.store.Snapshot(ctx)
	if err != nil {
		return "", err
	}
	if _, err := season.PlaceByHand(snap, c.Plot, c.Quadrat, c.Visit); err != nil {
		return "", refusal(err)
	}
	source := "counted in the field on a phone, " + c.Key
	place := fmt.Sprintf("plot %s, quadrat %d, visit %d", c.Plot, c.Quadrat, c.Visit)
	list, words, err := countsOf(snap, c.Classes, record.Observation{Plot: c.Plot, Quadrat: c.Quadrat, Visit: c.Visit, Observer: c.Observer, Source: source,
		Date: snap.Trial.Visits[c.Visit-1]})
	if err != nil {
		return "", err
	}
	if _, ok := snap.Decision(record.CountSubject(c.Key), record.KindReceived); ok {
		return place + ": was here already", nil
	}
	for _, o := range list {
		history, err := b.store.History(ctx, o)
		if err != nil {
			return "", err
		}
		if slices.ContainsFunc(history, func(h record.Observation) bool { return h.Source == source }) {
			return place + ": was here already", nil
		}
	}
	force, beside := snap.CountsAt(record.QuadratAt{Plot: c.Plot, Quadrat: c.Quadrat, Visit: c.Visit})
	other := ""
	if replaces(force, c.Observer, c.Classes) {
		other = otherObserver(force, c.Observer, c.Classes)
		switch {
		case c.Over == review.OverAsk && other == "":
			// A quadrat counted twice by one person may be another quadrat.
			return "", &review.CountedBefore{Entry: snap.Entry, Counts: countsIn(force), Beside: countsIn(beside)}
		case other != "" || c.Over == review.OverBeside:
			// Who was asked about an own count did not see another's that came since.
			for i := range list {
				list[i].Beside = true
			}
			words += besideWords
		}
	}
	text := fmt.Sprintf("%s counted by %s: %s", place, c.Observer, words)
	_, err = b.store.WriteAs(ctx, record.EntryHand, command, text, func(tx *record.Tx) error {
		for _, o := range list {
			if _, _, err := tx.AddObservation(o, snap.Entry); err != nil {
				return err
			}
		}
		_, err := tx.Decide(record.CountSubject(c.Key), record.KindReceived, struct{}{})
		return err
	})
	if err != nil {
		return "", err
	}
	if other != "" && list[0].Beside {
		return fmt.Sprintf("Stored: %s. In force: %s by %s.", text, inWords(force), other), nil
	}
	return "Stored: " + text, nil
}

// otherObserver names who else's count the given one would replace; "" none.
func otherObserver(force []record.Observation, observer string, classes []review.ClassCount) string {
	for _, o := range force {
		if o.Observer != observer && replaces([]record.Observation{o}, observer, classes) {
			return cmp.Or(o.Observer, "somebody else")
		}
	}
	return ""
}

// inWords is a count as one says it.
func inWords(list []record.Observation) string {
	var parts []string
	for _, c := range countsIn(list) {
		parts = append(parts, fmt.Sprintf("%s %g", c.Class, c.Plants))
	}
	return strings.Join(parts, ", ")
}

// Keep keeps for the next run what a phone came in by, where it is new and the
// folder can be written to; had is what this run began with.
func (b *Backend) Keep(at review.Addresses, had review.Options) {
	if at.Phone == "" || b.store.ReadOnly() {
		return
	}
	if had.Door == nil || had.Door.Port != at.Door.Port {
		b.KeepDoor(at.Door)
	}
	if at.Certificate != nil && !bytes.Equal(at.Certificate, had.Certificate) {
		b.KeepCertificate(at.Certificate)
	}
}
