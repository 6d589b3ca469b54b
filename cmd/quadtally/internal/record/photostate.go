package record

import "cmp"

// PhotoState is how a photo stands in the trial: whether its numbers are used,
// and if not, what keeps them out.
type PhotoState int

// The states of a photo. Each is asked after only where those before it do not
// hold: a photo set aside that was never measured is set aside.
const (
	PhotoSetAside    PhotoState = iota // a person said that it shall not count
	PhotoUnread                        // it could not be measured
	PhotoUnmeasured                    // it was taken in, and no measurement is stored yet
	PhotoAwaitsPlace                   // which quadrat it shows is not known, or only proposed
	PhotoSpare                         // another photo of the same quadrat is used
	PhotoInUse                         // its numbers go into comparisons
	photoStates                        // how many there are
)

// State is how the photo stands, decided here and nowhere else.
func (p *Photo) State() PhotoState {
	switch {
	case p.Rejected != "":
		return PhotoSetAside
	case p.Fault != "":
		return PhotoUnread
	case p.Result == nil:
		return PhotoUnmeasured
	case p.Place.State != PlaceKnown:
		return PhotoAwaitsPlace
	case p.Place.Spare != "":
		return PhotoSpare
	}
	return PhotoInUse
}

// InUse reports whether the photo's numbers go into comparisons.
func (p *Photo) InUse() bool { return p.State() == PhotoInUse }

// Why says in a sentence what keeps the photo out of comparisons; "" where it
// is in use.
func (p *Photo) Why() string {
	switch p.State() {
	case PhotoSetAside:
		return p.Rejected
	case PhotoUnread:
		return p.Fault
	case PhotoUnmeasured:
		return "not measured yet: run `quadtally photos` again"
	case PhotoAwaitsPlace:
		return cmp.Or(p.Place.Reason, "where it belongs is not known")
	case PhotoSpare:
		return p.Place.Spare
	}
	return ""
}

// FaultCode says, for programs, why a photo could not be measured; the
// sentence beside it is for people and may be worded anew at any time.
type FaultCode string

// The codes of faults; "" where the photo was measured.
const (
	FaultPhoto   FaultCode = "photo"   // the photo itself: damaged, without a frame, of no known format
	FaultCrashed FaultCode = "crashed" // the worker process ended while reading it
	FaultTimeout FaultCode = "timeout" // the worker process took longer than allowed
)

// Transient reports a fault that may be the machine's and not the photo's: the
// next run measures such a photo again.
func (c FaultCode) Transient() bool { return c == FaultCrashed || c == FaultTimeout }

// EntryKind says what an entry of the record stands for.
type EntryKind string

// The kinds of entries.
const (
	EntryOther   EntryKind = ""        // plans, sheets, facts of photos
	EntryHand    EntryKind = "hand"    // a person decided something about photos, visits or settings
	EntryDerived EntryKind = "derived" // what the program worked out from photos and from what people decided
)

// WeedsOnly reports a result whose cover and pieces are of weeds alone: a
// person marked what is crop or regrowth of the cover crop.
func (r *Result) WeedsOnly() bool { return r.AllGreen != nil }

// typedReasons is the second version of the schema: why a measurement failed
// and what an entry stands for, as codes. Older rows told both by sentences
// alone; these are the sentences of that version.
const typedReasons = `
alter table measurement add column fault_code text not null default '';
alter table entry add column kind text not null default '';
drop trigger measurement_stays;
drop trigger entry_stays;
update measurement set fault_code = case
  when fault like 'the photo stopped the program that read it:%' then 'crashed'
  when fault like 'reading the photo took too long:%' then 'timeout'
  else 'photo' end where fault <> '';
update entry set kind = 'hand' where command in ('review', 'settle') or (command in ('photos', 'merge') and note = 'settings');
update entry set kind = 'derived' where command = 'photos' and note in ('measured', 'identified', 'settled');
create trigger measurement_stays before update on measurement begin select raise(abort, 'the record only grows'); end;
create trigger entry_stays       before update on entry       begin select raise(abort, 'the record only grows'); end;
`
