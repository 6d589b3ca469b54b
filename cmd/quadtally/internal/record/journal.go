package record

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	sqlite3 "github.com/mattn/go-sqlite3"
)

// Layout of the SQLite file and of its rollback journal: sqlite.org
// /fileformat2.html, sections 1.3 (header) and 3 (rollback journal).
const (
	headerBytes     = 100
	pageSizeAt      = 16 // 2 bytes; 1 means 65536
	writeVersionAt  = 18 // 1 rollback journal, 2 write-ahead log
	changeCounterAt = 24
	fileSizeAt      = 28 // in pages
	userVersionAt   = 60
	markAt          = 68 // application id: see setMark
	journalHeader   = 28
)

var (
	sqliteMagic  = []byte("SQLite format 3\x00")
	journalMagic = []byte{0xd9, 0xd5, 0x05, 0xf9, 0x20, 0xa1, 0x63, 0xd7}
)

func pageSize(header []byte) int64 {
	if n := int64(binary.BigEndian.Uint16(header[pageSizeAt:])); n != 1 {
		return n
	}
	return 65536
}

func readAt(path string, at, n int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b := make([]byte, n)
	got, err := f.ReadAt(b, at)
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return b[:got], err
}

// checkHeader refuses what is no whole SQLite file, before SQLite is asked to
// write anything beside it.
func checkHeader(path string, size int64) error {
	h, err := readAt(path, 0, headerBytes)
	if err != nil {
		return userError(err)
	}
	if len(h) < headerBytes || !bytes.HasPrefix(h, sqliteMagic) {
		return fmt.Errorf("%s is damaged or not a quadtally record: bring back a copy with `quadtally restore`", path)
	}
	if n := pageSize(h); n < 512 || size%n != 0 {
		return fmt.Errorf("%s ends in the middle of a page, so part of it is lost: bring back a copy with `quadtally restore`", path)
	}
	return nil
}

// foreignJournals lists journals beside a record that belong to another file,
// such as the record that stood here before a copy was laid over it. SQLite
// would roll them into this one.
func foreignJournals(path string) ([]string, error) {
	h, err := readAt(path, 0, headerBytes)
	if err != nil || len(h) < headerBytes {
		return nil, err
	}
	var out []string
	if h[writeVersionAt] == 1 { // a file that keeps no write-ahead log
		for _, suffix := range []string{"-wal", "-shm"} {
			if _, err := os.Lstat(path + suffix); err == nil {
				out = append(out, path+suffix)
			}
		}
	}
	own, err := ownJournal(path, h)
	if err != nil {
		return nil, err
	}
	if !own {
		out = append(out, path+"-journal")
	}
	return out, nil
}

// ownJournal reports that there is no rollback journal, or that it may belong
// to the file. It belongs where the file's first page is the one the journal
// keeps or the one that the interrupted write made of it (the same mark, the
// change counter one higher), and the file is not shorter than before that write.
func ownJournal(path string, h []byte) (bool, error) {
	journal := path + "-journal"
	info, err := os.Stat(journal)
	if errors.Is(err, fs.ErrNotExist) {
		return true, nil
	}
	if err != nil {
		return false, err
	}
	jh, err := readAt(journal, 0, journalHeader)
	if err != nil {
		return false, err
	}
	if len(jh) < journalHeader || !bytes.HasPrefix(jh, journalMagic) {
		return true, nil // begun and not used, or already done with: SQLite passes over it
	}
	records := int64(int32(binary.BigEndian.Uint32(jh[8:])))
	pages := int64(binary.BigEndian.Uint32(jh[16:]))
	sector := int64(binary.BigEndian.Uint32(jh[20:]))
	page := int64(binary.BigEndian.Uint32(jh[24:]))
	file, err := os.Stat(path)
	if err != nil {
		return false, err
	}
	have := file.Size() / pageSize(h)
	if page != pageSize(h) || sector < journalHeader || have < pages || (records == 0 && have != pages) {
		return false, nil
	}
	if records < 0 {
		records = (info.Size() - sector) / (page + 8)
	}
	for i := range records {
		at := sector + i*(page+8)
		number, err := readAt(journal, at, 4)
		if err != nil || len(number) < 4 {
			return err == nil, err
		}
		if binary.BigEndian.Uint32(number) != 1 {
			continue
		}
		was, err := readAt(journal, at+4, headerBytes)
		if err != nil || len(was) < headerBytes {
			return err == nil, err
		}
		same := bytes.Equal(h[markAt:markAt+4], was[markAt:markAt+4])
		written := binary.BigEndian.Uint32(h[changeCounterAt:]) == binary.BigEndian.Uint32(was[changeCounterAt:])+1
		return bytes.Equal(h, was) || (same && written), nil
	}
	// Every write of this version puts page 1 first. A journal without it was
	// left by the first version; all that can be held against it is the size.
	version := binary.BigEndian.Uint32(h[userVersionAt:])
	return records == 0 || (version == 1 && int64(binary.BigEndian.Uint32(h[fileSizeAt:])) == pages), nil
}

// aside renames a file so that nothing takes it for what it was; "" where
// there is no such file.
func aside(path string) (string, error) {
	if _, err := os.Lstat(path); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			return "", nil
		}
		return "", err
	}
	for n := 1; ; n++ {
		to := fmt.Sprintf("%s.aside-%d", path, n)
		if _, err := os.Lstat(to); errors.Is(err, fs.ErrNotExist) {
			return to, os.Rename(path, to)
		}
	}
}

// openForReading opens the record without writing anything beside it. Where
// that cannot be done in place, because an interrupted write has to be rolled
// back first, a foreign journal lies there, or the record is older than this
// program, a copy is read.
func openForReading(dir string, opt Options, foreign []string) (*Store, error) {
	var notes []Note
	for _, f := range foreign {
		notes = append(notes, Note{Journal: f})
	}
	if len(foreign) == 0 {
		s, err := open(dir, opt, false)
		var se sqlite3.Error
		if err == nil || (!errors.Is(err, errOlder) && (!errors.As(err, &se) || (se.Code != sqlite3.ErrReadonly && se.Code != sqlite3.ErrCantOpen))) {
			return s, err
		}
	}
	tmp, err := os.MkdirTemp("", "quadtally-read-*")
	if err != nil {
		return nil, userError(err)
	}
	s, err := openCopy(dir, tmp, opt)
	if err != nil {
		os.RemoveAll(tmp)
		return nil, err
	}
	s.notes, s.copied, s.dir, s.readOnly = notes, tmp, dir, true
	return s, nil
}

func openCopy(dir, tmp string, opt Options) (*Store, error) {
	path := filepath.Join(dir, FileName)
	h, err := readAt(path, 0, headerBytes)
	if err != nil {
		return nil, userError(err)
	}
	suffixes := []string{""}
	if own, err := ownJournal(path, h); err != nil {
		return nil, userError(err)
	} else if own {
		suffixes = append(suffixes, "-journal")
	}
	for _, suffix := range suffixes {
		if err := copyFile(path+suffix, filepath.Join(tmp, FileName+suffix)); err != nil && (suffix == "" || !errors.Is(err, fs.ErrNotExist)) {
			return nil, userError(err)
		}
	}
	opt.ReadOnly = false // the copy may be rolled back
	return open(tmp, opt, false)
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Sync(), out.Close())
}
