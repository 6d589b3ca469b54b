#!/usr/bin/env bash
# Tries what `make package` packed where it was not built: in bare roots of
# Debian 12 and 13 made by debootstrap, as an ordinary user and without a
# network. Then, on Debian 13, the two commands of the README from source.
#
#   testdata/try-bare.sh           all of it
#   testdata/try-bare.sh packed    without building from source
#
# Skipped with a message and exit code 77 where debootstrap cannot run: without
# root, or where no Debian mirror is reached. QUADTALLY_ROOTS names a folder in which the bare
# roots are kept for the next time; QUADTALLY_PACKED=1 takes dist as it is.
set -euo pipefail
cd "$(dirname "$0")/.."
what=${1:-all}
skip() { echo "try-bare skipped, nothing was tried: $*" >&2; exit 77; }
[ "$(uname -sm)" = "Linux x86_64" ] || skip "it is for Linux on x86-64"
[ "$(id -u)" = 0 ] || skip "debootstrap and chroot want root"
command -v debootstrap >/dev/null || skip "debootstrap is not installed (apt-get install debootstrap)"
unshare --mount true 2>/dev/null || skip "this machine lets nobody mount"

# The mirror this machine takes Debian from.
mirror=$(apt-get indextargets --format '$(ORIGIN) $(SITE) $(REPO_URI)' 2>/dev/null | awk '$1 == "Debian" && $3 !~ /security/ { print $3; exit }')
mirror=${mirror:-http://deb.debian.org/debian}

[ -n "${QUADTALLY_PACKED:-}" ] || make package > /dev/null
(cd dist && sha256sum --quiet -c SHA256SUMS)
tarball=dist/quadtally-linux-x86_64.tar.gz
size=$(stat -c %s "$tarball")
echo "tarball: $((size / 1000000)) MB"
[ "$size" -lt 60000000 ] || { echo "the tarball has $size bytes, more than 60 MB" >&2; exit 1; }

work=$(mktemp -d)
trap 'rm -rf --one-file-system "$work"' EXIT
kept=${QUADTALLY_ROOTS:-$work/base}
mkdir -p "$kept"

bare() { # bare SUITE FOLDER: a fresh root with nothing but the base system
  if [ ! -e "$kept/$1/etc/debian_version" ]; then
    debootstrap --variant=minbase "$1" "$kept/$1.part" "$mirror" > "$kept/$1.log" 2>&1 ||
      { tail -3 "$kept/$1.log" >&2; rm -rf --one-file-system "$kept/$1.part"; skip "no $1 from $mirror"; }
    mv "$kept/$1.part" "$kept/$1"
  fi
  cp -a --reflink=auto "$kept/$1" "$2"
  cp /etc/resolv.conf "$2/etc/resolv.conf"
  mkdir -p "$2/try"
  chroot "$2" useradd -m grower
}

# inside ROOT USER NETWORK: runs the script on standard input in a root. Its
# mounts go with it. NETWORK is yes or no.
inside() {
  local space=(--mount)
  [ "$3" = yes ] || space+=(--net)
  unshare "${space[@]}" bash -c '
    set -e
    mount -t proc proc "$1/proc"
    mount --rbind /dev "$1/dev"
    if [ -d "$1/usr/local/go" ]; then
      mount --rbind "$(go env GOROOT)" "$1/usr/local/go"
      mount --rbind "$(go env GOMODCACHE)" "$1/go/pkg/mod"
    fi
    home=/root; [ "$2" = root ] || home=/home/$2
    exec chroot --userspec="$2" "$1" /usr/bin/env -i HOME=$home USER="$2" LC_ALL=C.UTF-8 \
      PATH=/usr/local/go/bin:/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin \
      bash -euo pipefail -c "$3" < /dev/null' _ "$1" "$2" "$(cat)"
}

# What a person does first: a season, a photo from a phone, a report. QT is the
# program.
season='
  cd; rm -rf season
  $QT demo season > demo.txt 2> talk.txt || { tail -20 talk.txt; exit 1; }
  $QT measure --no-frame --csv /try/quarter-leaf.heic > heic.csv
  # a quarter of the drawn scene is leaf
  awk -F, "NR == 2 && \$2 > 24.5 && \$2 < 25.5 { ok = 1 } END { exit !ok }" heic.csv || { echo "the HEIC photo measures otherwise:"; cat heic.csv; exit 1; }
  $QT report --trial season --out again > /dev/null 2>> talk.txt || { tail -5 talk.txt; exit 1; }
  grep -qi "</html>" again/*.html
  head -c 5 again/*.pdf | grep -q "%PDF-"
  echo "  demo, HEIC photo and report done: $(du -ch again/* | tail -1 | cut -f1) of report"
'
# The time of the processor counts: it is the same on a busy machine.
quick='
  $QT --version > /dev/null
  TIMEFORMAT="%3R %3U %3S"
  for i in 1 2 3 4 5 6 7 8 9 10; do { time $QT --version > /dev/null; } 2>> ~/times; done
  awk "{ r = \$1; c = \$2 + \$3; if (NR == 1 || r < wall) wall = r; if (NR == 1 || c < cpu) cpu = c }
    END { printf \"  starts in %g s, of which %g s at work\n\", wall, cpu; exit cpu >= .1 }" ~/times || { echo "  that is more than .1 s"; exit 1; }
'

for suite in bookworm trixie; do
  echo "$suite: the folder, no network, no rights"
  root=$work/$suite-folder
  bare $suite "$root"
  cp "$tarball" testdata/scenes/quarter-leaf.heic "$root/try/"
  inside "$root" grower no <<< '
    cd; tar xzf /try/quadtally-linux-x86_64.tar.gz
    QT=$HOME/quadtally-linux-x86_64/quadtally
    strays=$(ldd $QT | grep "=>" | grep -v "=> $HOME/" | grep -Ev "(libc|libm|libpthread|libdl|librt)\.so" || true)
    [ -z "$strays" ] || { echo "not from the folder: $strays"; exit 1; }
    $QT --version | sed "s/^/  /"
    '"$quick$season"
  rm -rf --one-file-system "$root"
done

echo "bookworm: the package"
root=$work/bookworm-package
bare bookworm "$root"
cp dist/quadtally_*.deb testdata/scenes/quarter-leaf.heic "$root/try/"
inside "$root" root yes <<< '
  apt-get update -qq
  # the base image leaves out documentation only where told to; it was not
  DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends /try/quadtally_*.deb > /try/apt.log 2>&1 || { tail -5 /try/apt.log; exit 1; }
  echo "  installed with $(grep -c "^Setting up" /try/apt.log) packages"
  test -s /usr/share/man/man1/quadtally-compare.1.gz
  test -s /usr/share/bash-completion/completions/quadtally
  grep -q "Apache License" /usr/share/doc/quadtally/copyright
  apt-get clean'
inside "$root" grower no <<< "QT=quadtally $quick QT=quadtally $season"
inside "$root" root no <<< 'dpkg --purge quadtally > /dev/null; [ ! -e /usr/bin/quadtally ]; echo "  removed"'
rm -rf --one-file-system "$root"

[ "$what" = packed ] && exit
echo "trixie: from source"
root=$work/trixie-source
bare trixie "$root"
mkdir -p "$root/usr/local/go" "$root/go/pkg/mod" "$root/source"
git ls-files -z | xargs -0 cp --parents -t "$root/source"
inside "$root" root yes <<< '
  apt-get update -qq
  DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends make ca-certificates > /dev/null
  export GOMODCACHE=/go/pkg/mod GOTOOLCHAIN=local
  cd /source
  make demo > /try/demo.log 2>&1 || { tail -30 /try/demo.log; exit 1; }
  ./quadtally --version | sed "s/^/  /"
  echo "  make demo done"
  make test > /try/test.log 2>&1 || { grep -v "^ok\|no test files" /try/test.log | tail -60; exit 1; }
  echo "  make test done: $(grep -c "^ok" /try/test.log) packages"'
echo "tried"
