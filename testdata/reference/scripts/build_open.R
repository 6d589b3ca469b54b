# Rscript build_open.R OUTDIR [kind regexp]
args <- commandArgs(TRUE); source("lib_base.R"); source("lib_a.R"); source("lib_b.R"); source("lib_gen.R"); OUT <- args[1]; KR <- if(length(args)>1) args[2] else "."
R. <- "R dataset"; imm <- "MASS::immer barley yields (Immer, Hayes & Powers 1934, J. Am. Soc. Agron. 26, 403-419), sites as blocks"
emit0 <- emit; want <- function(k) grepl(KR,k)
try1 <- function(expr) { cl <- substr(deparse(substitute(expr))[1],1,90); tryCatch(expr,error=function(e) cat("FAILED:",conditionMessage(e),"in",cl,"\n")) }
if(want("k01")){
try1(k01_crd("k01-crd-plantgrowth","One-way ANOVA, PlantGrowth","datasets::PlantGrowth (Dobson 1983)",PlantGrowth,"weight","group"))
try1(k01_crd("k01-crd-insectsprays","One-way ANOVA on counts, InsectSprays","datasets::InsectSprays (Beall 1942, Biometrika 32, 243-262)",InsectSprays,"count","spray"))
try1(k01_crd("k01-crd-recovery-unbalanced","One-way ANOVA, unbalanced","multcomp::recovery (Bretz, Hothorn & Westfall 2010)",multcomp::recovery,"minutes","blanket"))
edge("k01-edge-zero-variance-group","One treatment with no spread at all",list(type="CRD"),cols(treatment=rep(c("A","B","C"),each=3),y=c(5,5,5,7,8,9,1,3,2)),list(ss_treatment=54,df_treatment=2,ss_error=4,df_error=6,mse=4/6,f=27/(4/6),sd_of_A=0,bartlett="undefined (a group variance of 0)",welch="undefined (weight n/s^2 infinite)"))
edge("k01-edge-all-equal","All observations equal",list(type="CRD"),cols(treatment=rep(c("A","B","C"),each=3),y=rep(4,9)),list(ss_treatment=0,ss_error=0,mse=0,f="undefined",p="undefined",shapiro="undefined (no spread)",cv_percent=0))
edge("k01-edge-single-plot-each","One plot a treatment: residual df = 0",list(type="CRD"),cols(treatment=c("A","B","C"),y=c(1,2,4)),list(df_error=0,mse="undefined",f="undefined",p="undefined",means_still_given=I(c(1,2,4))))
}
if(want("k02")){
try1(k02_rcbd("k02-rcbd-immer-y1","RCBD: 5 barley varieties, 6 sites, 1931",imm,dft(immer$Loc,immer$Var,immer$Y1)))
try1(k02_rcbd("k02-rcbd-ergostool","RCBD: 4 stool types, 9 subjects as blocks","nlme::ergoStool (Devore 2000, exercise 11.9)",dft(ergoStool$Subject,ergoStool$Type,ergoStool$effort)))
try1(k02_rcbd("k02-rcbd-sleep-t2","RCBD with 2 treatments = paired t test (F = t^2)","datasets::sleep (Cushny & Peebles 1905; Student 1908)",dft(sleep$ID,sleep$group,sleep$extra),extra=list(paired_t=t.test(sleep$extra[1:10],sleep$extra[11:20],paired=TRUE)$statistic[[1]])))
b31 <- lattice::barley; b31 <- b31[b31$year=="1931",]
try1(k02_rcbd("k02-rcbd-barley-1931","RCBD: 10 barley varieties, 6 sites, 1931","lattice::barley (Immer et al. 1934; Fisher 1935)",dft(b31$site,b31$variety,b31$yield)))
try1(k02_rcbd("k02-rcbd-5x3-yield","RCBD 5 treatments x 3 blocks, yield-like",SYN(501),g_rcbd(5,3,501,mu=6.2,sdt=.5,sdb=.4,sde=.25,dig=2)))
try1(k02_rcbd("k02-rcbd-large-offset","RCBD with a large constant added (numerical stability)",paste(SYN(501),"plus 1e7"),{d <- g_rcbd(5,3,501,mu=6.2,sdt=.5,sdb=.4,sde=.25,dig=2); d$y <- d$y+1e7; d},shift=1e7,note="expected values are exact for the float64 numbers in data (computed after subtracting 1e7, which is exact); a stable algorithm should reach rel 1e-6, the textbook sum of squares minus correction term loses all digits"))
try1(k02_factorial("k02-npk-confounded-factorial","npk: 2^3 factorial, NPK confounded with blocks","datasets::npk (Venables & Ripley 2002)",data.frame(block=npk$block,N=npk$N,P=npk$P,K=npk$K,y=npk$yield),y~block+N*P*K,note="N:P:K is confounded with blocks and has 0 df in the residual stratum: it must be left out, not reported with F"))
try1(k02_factorial("k02-warpbreaks-factorial","warpbreaks 2 x 3 factorial, CRD","datasets::warpbreaks (Tippett 1950; Tukey 1977)",data.frame(wool=warpbreaks$wool,tension=warpbreaks$tension,y=warpbreaks$breaks),y~wool*tension,design="factorial CRD"))
try1(k02_latin("k02-latin-orchardsprays","8 x 8 Latin square","datasets::OrchardSprays (Finney 1947)",data.frame(row=OrchardSprays$rowpos,col=OrchardSprays$colpos,trt=OrchardSprays$treatment,y=OrchardSprays$decrease)))
try1(k02_split("k02-split-oats","Split plot: varieties whole plots, nitrogen sub plots","MASS::oats (Yates 1935); the same data as nlme::Oats",data.frame(block=oats$B,A=oats$V,B=oats$N,y=oats$Y),note="data of Venables & Ripley 2002, section 10.2; by R: V F=1.49 on 2,10; N F=37.69 on 3,45; V:N F=0.30 on 6,45"))
edge("k02-edge-one-block","RCBD with a single block: residual df = 0",list(type="RCBD"),cols(block=rep("B1",4),treatment=c("A","B","C","D"),y=c(3,5,4,8)),list(df_error=0,mse="undefined",f="undefined",p="undefined",lsd="undefined"))
edge("k02-edge-perfectly-additive","Perfectly additive table: MSE = 0 (up to rounding)",list(type="RCBD"),{d <- expand.grid(trt=c("A","B","C"),block=c("B1","B2","B3"));cols(block=as.character(d$block),treatment=as.character(d$trt),y=c(1,2,4,11,12,14,21,22,24))},list(ss_treatment=14,ss_block=600,ss_error=0,df_error=4,f="undefined (error variance is zero to rounding); do not print a huge F",cv_percent=0))
edge("k02-edge-one-treatment","Only one treatment in every block: nothing to compare",list(type="RCBD"),cols(block=c("B1","B2","B3"),treatment=c("A","A","A"),y=c(3,5,4)),list(df_treatment=0,f="undefined"))
}
if(want("k03")){
d <- dft(immer$Loc,immer$Var,immer$Y1)
try1(k03_missing("k03-immer-1-missing","RCBD with one missing plot",paste(imm,"; plot Loc=M Var=T set missing"),drop_y(d,c("M","T"))))
try1(k03_missing("k03-immer-2-missing-same-trt","Two missing plots of the same treatment",paste(imm,"; Var=S at UF and C set missing"),drop_y(d,c("UF","S"),c("C","S"))))
s <- g_rcbd(5,3,503,mu=40,sde=2.5)
try1(k03_missing("k03-5x3-1-missing","5 x 3 RCBD, one missing plot",SYN(503),drop_y(s,c("B2","T3"))))
try1(k03_missing("k03-5x3-2-missing-same-block","5 x 3 RCBD, two missing plots in one block",SYN(503),drop_y(s,c("B1","T2"),c("B1","T5"))))
try1(k03_missing("k03-5x3-trt-left-with-1-plot","5 x 3 RCBD, one treatment left with one plot",SYN(503),drop_y(s,c("B1","T4"),c("B3","T4"))))
try1(k03_missing("k03-5x3-control-twice-a-block","RCBD with the control (T1) twice in every block: 4 treatments + double control",SYN(506),{d <- g_rcbd(5,3,506,mu=40,sde=2.5); d$trt[d$trt=="T5"] <- "T1"; d},note="n differs (control 6, others 3) though nothing is missing: two different SEDs; types I, II, III agree here"))
edge("k03-edge-disconnected","Disconnected design: T1,T2 only in B1,B2; T3,T4 only in B3,B4",list(type="incomplete blocks"),cols(block=rep(c("B1","B2","B3","B4"),each=2),treatment=c("T1","T2","T1","T2","T3","T4","T3","T4"),y=c(5,6,7,9,20,25,22,24)),list(rank_treatment_given_blocks=2,estimable=list(T1_T2=TRUE,T3_T4=TRUE,T1_T3=FALSE),diff_T2_minus_T1=1.5,diff_T4_minus_T3=3.5,lsmeans="undefined for all four (block and treatment sets are confounded)"))
edge("k03-edge-missing-whole-treatment","All plots of T3 lost: drop the treatment, do not print an LS mean for it",list(type="RCBD"),cols(block=rep(c("B1","B2","B3"),3),treatment=rep(c("T1","T2","T3"),each=3),y=c(5,6,8,7,9,9,NA,NA,NA)),list(df_treatment=1,df_error=2,lsmean=list(T1=19/3,T2=25/3,T3="undefined"),ss_treatment=6,ss_error=1))
}
if(want("k04")){
try1(k04_pairs("k04-pairs-plantgrowth","All pairs, balanced CRD","datasets::PlantGrowth (Dobson 1983)",data.frame(trt=PlantGrowth$group,y=PlantGrowth$weight)))
try1(k04_pairs("k04-pairs-immer-rcbd","All pairs, RCBD",imm,dft(immer$Loc,immer$Var,immer$Y1)))
try1(k04_pairs("k04-pairs-recovery-tukey-kramer","All pairs, unbalanced CRD (Tukey-Kramer)","multcomp::recovery (Bretz, Hothorn & Westfall 2010)",data.frame(trt=multcomp::recovery$blanket,y=multcomp::recovery$minutes)))
try1(k04_pairs("k04-pairs-5x3-rcbd","All pairs, 5 x 3 RCBD",SYN(504),g_rcbd(5,3,504,mu=55,sdt=8)))
try1(k04_pairs("k04-pairs-cholesterol","All pairs, 5 treatments","multcomp::cholesterol (Westfall et al. 1999)",data.frame(trt=multcomp::cholesterol$trt,y=multcomp::cholesterol$response)))
try1(k04_dunnett("k04-dunnett-recovery-unequal-n","Dunnett, unequal n","multcomp::recovery (Bretz, Hothorn & Westfall 2010)",data.frame(trt=as.character(multcomp::recovery$blanket),y=multcomp::recovery$minutes),"b0"))
try1(k04_dunnett("k04-dunnett-plantgrowth","Dunnett, 2 treatments and a control","datasets::PlantGrowth (Dobson 1983)",data.frame(trt=as.character(PlantGrowth$group),y=PlantGrowth$weight),"ctrl"))
try1(k04_dunnett("k04-dunnett-immer-rcbd","Dunnett in RCBD, control M",imm,dft(immer$Loc,immer$Var,immer$Y1),"M"))
s <- drop_y(g_rcbd(5,3,503,mu=40,sde=2.5),c("B2","T3"),c("B1","T5")); s <- s[!is.na(s$y),]
try1(k04_dunnett("k04-dunnett-rcbd-missing","Dunnett in RCBD with missing plots (not a product correlation)",SYN(503),s,"T1"))
C4 <- list(ctrl_vs_rest=c(1,-.5,-.5),trt1_vs_trt2=c(0,1,-1))
try1(k04_contrast("k04-contrast-plantgrowth","Two orthogonal contrasts","datasets::PlantGrowth (Dobson 1983)",data.frame(trt=PlantGrowth$group,y=PlantGrowth$weight),C4))
try1(k04_contrast("k04-contrast-5x3-tilled-vs-rest","Orthogonal set in 5 x 3 RCBD: tilled (T1) vs rest, then within rest",SYN(504),g_rcbd(5,3,504,mu=55,sdt=8),list(T1_vs_rest=c(4,-1,-1,-1,-1),T2T3_vs_T4T5=c(0,1,1,-1,-1),T2_vs_T3=c(0,1,-1,0,0),T4_vs_T5=c(0,0,0,1,-1))))
ov <- oats[oats$V=="Victory",]; try1(k04_contrast("k04-contrast-oats-polynomial","Equally spaced polynomial, nitrogen 0, .2, .4, .6 cwt (Victory only)","MASS::oats (Yates 1935)",dft(ov$B,ov$N,ov$Y),list(linear=c(-3,-1,1,3),quadratic=c(1,-1,-1,1),cubic=c(-1,3,-3,1)),scores=c(0,.2,.4,.6)))
pu <- contr.poly(5,scores=c(0,10,25,50,100)); s <- g_rcbd(5,4,505,mu=30,sdt=6); try1(k04_contrast("k04-contrast-unequal-doses","Polynomial for unequally spaced doses 0,10,25,50,100",SYN(505),s,list(linear=pu[,1],quadratic=pu[,2],cubic=pu[,3],quartic=pu[,4]),scores=c(0,10,25,50,100)))
L <- function(n) LETTERS[1:n]
k04_cld("k04-cld-simple-chain","A..E: only the ends differ",L(5),c(10,9,8,7,6),sigmat(5,list(c(1,4),c(1,5),c(2,5))))
k04_cld("k04-cld-non-transitive","Non-interval pattern (unequal SEDs): A-C not significant though A-B is",L(4),c(10,9,8,5),sigmat(4,list(c(1,2),c(1,4),c(2,4),c(3,4))),note="a method that walks down the ordered means and stops at the first significant difference gets this wrong: A and B differ, A and C do not")
k04_cld("k04-cld-crossing","Four treatments, 4-cycle of non-significance (A-B,B-C,C-D,D-A)",L(4),c(4,3,2,1),sigmat(4,list(c(1,3),c(2,4))),note="needs 4 letters: the groups are AB, BC, CD, AD")
k04_cld("k04-cld-none","No significant difference",L(5),c(5,4,3,2,1),sigmat(5,list()))
k04_cld("k04-cld-all","All differences significant",L(4),c(5,4,3,2),sigmat(4,combn(4,2,simplify=FALSE)))
k04_cld("k04-cld-piepho-8","Eight treatments, mixed pattern",L(8),8:1,sigmat(8,list(c(1,7),c(1,8),c(2,4),c(2,8),c(3,5),c(3,8),c(4,5),c(5,7),c(6,8),c(1,4))))
k04_cld("k04-cld-octahedron","Pairs (1,2),(3,4),(5,6) differ, all else not: 8 maximal groups, fewer letters can do",L(6),6:1,sigmat(6,list(c(1,2),c(3,4),c(5,6))),note="min_letters is smaller than the number of maximal groups: both are right displays")
set.seed(604); P <- runif(45)<.35; S <- matrix(FALSE,10,10); S[upper.tri(S)] <- P; S <- S|t(S); k04_cld("k04-cld-random-10","Ten treatments, random significance pattern",L(10),10:1,S)
set.seed(606); pv <- sort(round(c(runif(6,0,.02),runif(9)),6)); pv <- c(pv,pv[3]); mm <- length(pv)
emit("k04-padjust-16","Adjusted p values from a list, with a tie",  "definitions: Holm 1979, Hochberg 1988, Benjamini-Hochberg 1995, Benjamini-Yekutieli 2001, Sidak 1967",pkgv("stats"),list(m=mm),list(p=I(pv)),list(bonferroni=I(p.adjust(pv,"bonferroni")),holm=I(p.adjust(pv,"holm")),hochberg=I(p.adjust(pv,"hochberg")),bh=I(p.adjust(pv,"BH")),by=I(p.adjust(pv,"BY")),sidak=I(1-(1-pv)^mm),holm_sidak=I({o <- order(pv); r <- pmin(1,cummax(1-(1-pv[o])^(mm-seq_len(mm)+1))); r[order(o)]})),TOL(1e-12))
}
if(want("k05")){
try1(k05_ptukey("k05-ptukey-grid",c(2,3,4,5,6,8,10,12,15),c(2,3,4,6,8,12,20,40,120,Inf),c(.5,1,2,3,3.5,4.5,6,10)))
try1(k05_qtukey("k05-qtukey-grid",c(2,3,4,5,6,8,10,15),c(2,3,4,6,8,10,12,16,20,30,60,120,Inf),c(.9,.95,.99)))
try1(k05_dunnett("k05-dunnett-crit",c(1,2,3,4,5,7,9),c(2,4,6,8,10,12,16,20,30,60,Inf)))
try1(k05_dunnett_uneq("k05-dunnett-unequal-n",6,c(3,4,5,3),16)); try1(k05_dunnett_uneq("k05-dunnett-unequal-n-big-control",9,c(3,3,3),14))
try1(k05_power("k05-power-rcbd-grid",c(2,3,4,5,6,8),c(2,3,4,5,6,8),c(0,.5,1,1.5,2,3,4)))
try1(k05_blocks_needed("k05-blocks-needed",data.frame(t=c(5,5,4,3,6,2),b=c(3,4,4,5,3,6),delta_sd=c(2,3,1.5,1,2.5,1.2),power=c(.8,.8,.8,.9,.8,.8),alpha=c(.05,.05,.05,.05,.1,.05))))
try1(k05_nct("k05-noncentral-t-grid",c(-2,0,1,1.96,3,6),c(2,4,8,20,60),c(0,.5,2,4)))
try1(k05_ncf("k05-noncentral-f-grid",c(.5,1,2,4,8),c(1,2,4,7),c(2,4,8,20,60),c(0,1,5,20,60)))
try1(k05_basic("k05-basic-distributions",705))
}
if(want("k06")){
mc <- as.data.frame(Machines); d <- dft(mc$Worker,mc$Machine,mc$score)
try1(k06_sub("k06-machines","RCBD with 3 sub samples a plot: machines x workers","nlme::Machines (Milliken & Johnson 1992, p. 285)",d))
try1(k06_sub("k06-5x3x4-quadrats","5 x 3 RCBD, 4 quadrats a plot",SYN(901),g_sub(5,3,4,901)))
try1(k06_sub("k06-5x3-unbalanced-quadrats","5 x 3 RCBD, 2 to 5 quadrats a plot",SYN(903),{set.seed(903);q <- sample(2:5,15,TRUE);g_sub(5,3,q,903)}))
try1(k06_sub("k06-4x3x3-plot-variance-zero","Plot variance estimate negative: boundary REML",SYN(937),g_sub(4,3,3,937,sdp=.05,sds=5)))
edge("k06-edge-one-quadrat-each","One quadrat a plot: within-plot df = 0, plot and quadrat variance cannot be told apart",list(type="RCBD with subsampling"),cols(block=rep(c("B1","B2"),each=2),treatment=c("A","B","A","B"),y=c(1,3,2,5)),list(within_df=0,var_within="undefined",var_plot="undefined",f_treatment=25,df_error=1))
}
if(want("k07")){
try1(k07_rm("k07-5x3-6dates-14d","5 x 3 RCBD, six dates 14 days apart",SYN(1001),g_rm(5,3,seq(0,70,14),1001),TRUE))
try1(k07_rm("k07-4x4-4dates-uneven","4 x 4 RCBD, dates 0,10,31,45 (uneven: CAR(1))",SYN(1002),g_rm(4,4,c(0,10,31,45),1002,phi=.75),FALSE))
o <- as.data.frame(Orthodont); try1(k07_rm("k07-orthodont","Groups of subjects on 4 ages (no blocks)","nlme::Orthodont (Potthoff & Roy 1964)",data.frame(trt=as.character(o$Sex),plot=as.character(o$Subject),day=o$age,y=o$distance),TRUE,blocked=FALSE))
try1(k07_rm("k07-5x3-6dates-missing","5 x 3 RCBD, six dates, four plot-dates missing",SYN(1003),{d <- g_rm(5,3,seq(0,70,14),1003); d$y[c(5,23,24,61)] <- NA; d},TRUE))
try1(k07_rm("k07-3x3-6dates-singular-S","3 x 3 RCBD, six dates: fewer error df (4) than date contrasts (5)",SYN(1004),g_rm(3,3,seq(0,70,14),1004),TRUE,chk=FALSE,gls_models=FALSE,note="S is singular: Mauchly's test and multivariate tests cannot be computed, epsilon can"))
edge("k07-edge-all-zero-date","All counts zero on the first date",list(type="RCBD on dates"),{d <- g_count(4,3,1010); cols(block=rep(d$block,2),treatment=rep(d$trt,2),day=rep(c(0,14),each=12),y=c(rep(0,12),d$y))},list(day0=list(ss_treatment=0,ss_error=0,f="undefined",p="undefined",advice="report 'all zero' for the date"),day14="analysed as usual (RCBD)"))
}
if(want("k08")){
try1(k08_count("k08-count-insectsprays","Poisson, quasi-Poisson, negative binomial on a CRD","datasets::InsectSprays (Beall 1942)",data.frame(trt=InsectSprays$spray,y=InsectSprays$count)))
try1(k08_count("k08-count-5x3","Counts in 5 x 3 RCBD, overdispersed",SYN(1101),g_count(5,3,1101,mu=20,size=1.2),mixed=TRUE))
try1(k08_count("k08-count-5x4","Counts in 5 x 4 RCBD, strongly overdispersed",SYN(1102),g_count(5,4,1102,mu=20,size=1.5),mixed=TRUE))
try1(k08_count("k08-count-4x4-underdispersed","Counts with no overdispersion: theta tends to infinity, no NB fit given",SYN(1105),g_count(4,4,1105,mu=25,size=Inf),nb=FALSE))
z <- g_count(4,3,1103,mu=8,size=4); z$y[z$trt=="T4"] <- 0; e0 <- glm(y~block+trt,poisson,z[z$trt!="T4",],control=GC); f1 <- suppressWarnings(glm(y~block+trt,poisson,z)); fz <- suppressWarnings(glm(y~block,poisson,z))
edge("k08-edge-all-zero-treatment","A treatment with only zeros: its log mean is -infinity",list(type="RCBD counts"),cols(block=z$block,treatment=z$trt,y=z$y),list(residual_deviance=e0$deviance,df_residual_nominal=6,residual_deviance_note="equals the deviance of the same model without T4 (T4 plots contribute 0)",deviance_without_treatment=fz$deviance,lr_deviance_trt=fz$deviance-e0$deviance,df_trt=3,T4_estimate="-infinity: report mean 0, no Wald SE, no Wald p; LR deviance is still finite"),prov=pkgv("stats"))
try1(k08_binom("k08-binom-cbpp","Binomial / quasi-binomial, herds as blocks (unbalanced)","lme4::cbpp (Lesnoff et al. 2004)",data.frame(block=as.character(cbpp$herd),trt=as.character(cbpp$period),y=cbpp$incidence,n=cbpp$size)[cbpp$herd%in%c(1,3,5,7,9,11,12,15),]))
try1(k08_binom("k08-binom-5x3-cover-points","Point-intercept cover, 100 points a plot, 5 x 3 RCBD",SYN(1104),{d <- g_cover(5,3,1104,phi=25); d$n <- 100; set.seed(1); d$y <- round(d$y*100); d}))
pe <- MASS::petrol; pe <- data.frame(batch=relevel(factor(pe$No),"J"),EP=pe$EP,y=pe$Y/100)
try1(k08_beta("k08-beta-petrol","Beta regression: batch (10 blocks) + temperature","MASS::petrol (Prater 1956); Ferrari & Cribari-Neto 2004, J. Appl. Stat. 31, 799-815",pe,y~batch+EP,published=list(phi=440.278,EP_coef=0.01097,EP_se=0.00041,note="as GasolineYield of the R package betareg (table 1 of the 2004 paper): phi 440.278 (se 110.026), temperature 0.01097 (0.00041), intercept -6.15957; batch coding there has batch 10 as base; in MASS::petrol the batch letters run A..J so A..J order must be matched before comparing batch coefficients"),extra_emm=FALSE))
cv <- g_cover(5,3,1106); cv$trt <- factor(cv$trt); cv$block <- factor(cv$block); try1(k08_beta("k08-beta-5x3-cover","Beta regression, cover in 5 x 3 RCBD",SYN(1106),cv,y~block+trt))
cv <- g_cover(4,4,1107,phi=12); cv$trt <- factor(cv$trt); cv$block <- factor(cv$block); try1(k08_beta("k08-beta-4x4-cover","Beta regression, cover in 4 x 4 RCBD, low precision",SYN(1107),cv,y~block+trt))
try1(k08_trans("k08-transform-counts-5x3","Transformed counts with zeros",SYN(1108),g_count(5,3,1108,mu=5,size=1.2),c("log1p","log10p1","sqrt05")))
try1(k08_trans("k08-transform-cover-5x3","Transformed cover proportions strictly inside (0,1)",SYN(1106),g_cover(5,3,1106),c("arcsine","logit")))
cz <- g_cover(5,3,1109,phi=8); cz$y[c(1,2)] <- 0; cz$y[15] <- 1; try1(k08_trans("k08-transform-cover-0-and-1","Arcsine square root with 0 % and 100 % (logit is undefined: must refuse or say how it adjusts)",SYN(1109),cz,c("arcsine")))
}
if(want("k09")){
set.seed(1201); S <- lapply(c(3,4,5,6,7,8,9,10,11,12,13,15,18,20,24,30,36,45,50),function(n) round(rnorm(n,10,2),2)); S <- c(S,lapply(c(5,12,15,20,30,50),function(n) round(rnorm(n,5,1.3),0)),lapply(c(8,15,30,50),function(n) round(rexp(n),3)),list(c(1,2,3),c(1,1,2),c(148,154,158,160,161,162,166,170,182,195,236)))
try1(k09_shapiro("k09-shapiro-32-samples",S,src="generated in R; the last sample is the weights of eleven men"))
try1(k09_homog("k09-homog-insectsprays","Bartlett, Brown-Forsythe, Levene, Fligner","datasets::InsectSprays (Beall 1942)",data.frame(g=InsectSprays$spray,y=InsectSprays$count)))
try1(k09_homog("k09-homog-recovery","Bartlett, Brown-Forsythe, unbalanced","multcomp::recovery",data.frame(g=multcomp::recovery$blanket,y=multcomp::recovery$minutes)))
try1(k09_homog("k09-homog-plantgrowth","Bartlett, Brown-Forsythe","datasets::PlantGrowth",data.frame(g=PlantGrowth$group,y=PlantGrowth$weight)))
try1(k09_rcbd("k09-rcbd-immer-checks","RCBD checks: nonadditivity, studentized residuals, Box-Cox",imm,dft(immer$Loc,immer$Var,immer$Y1)))
try1(k09_rcbd("k09-rcbd-5x3-multiplicative","RCBD checks on multiplicative data (Box-Cox near 0)",SYN(1202),{d <- g_rcbd(5,3,1202,mu=3,sdt=.7,sdb=.5,sde=.2,dig=6); d$y <- round(exp(d$y),1); d}))
try1(k09_rcbd("k09-rcbd-5x3-one-outlier","RCBD with one gross outlier (two plots swapped)",SYN(1203),{d <- g_rcbd(5,3,1203,mu=40,sde=2); d$y[8] <- d$y[8]+25; d}))
try1(k09_grubbs("k09-grubbs-8","Grubbs test","NIST/SEMATECH e-Handbook (Tietjen & Moore data; G = 2.4687)",c(199.31,199.53,200.19,200.82,201.92,201.95,202.18,245.57)))
set.seed(1204); try1(k09_grubbs("k09-grubbs-15","Grubbs test, no outlier",SYN(1204),round(rnorm(15,20,3),2)))
}
if(want("k10")){
rt <- matrix(c(5.40,5.50,5.55,5.85,5.70,5.75,5.20,5.60,5.50,5.55,5.50,5.40,5.90,5.85,5.70,5.45,5.55,5.60,5.40,5.40,5.35,5.45,5.50,5.35,5.25,5.15,5.00,5.85,5.80,5.70,5.25,5.20,5.10,5.65,5.55,5.45,5.60,5.35,5.45,5.05,5.00,4.95,5.50,5.50,5.40,5.45,5.55,5.50,5.55,5.55,5.35,5.45,5.50,5.55,5.50,5.45,5.25,5.65,5.60,5.40,5.70,5.65,5.55,6.30,6.30,6.25),ncol=3,byrow=TRUE)
try1(k10_rcbd("k10-friedman-rounding-ties","Friedman with ties: rounding first base","Hollander & Wolfe (1973) p. 140ff., as in the help page of stats::friedman.test",dft(rep(1:22,3),rep(c("RoundOut","NarrowAngle","WideAngle"),each=22),as.vector(rt)),exact=FALSE,published=list(friedman_chisq=11.1429,df=2,p=0.003805)))
try1(k10_rcbd("k10-perm-3x3","Exact permutation, 3 treatments x 3 blocks (36 arrangements)",SYN(1301),g_rcbd(3,3,1301,mu=20,sdt=6)))
try1(k10_rcbd("k10-perm-5x3","Exact permutation, 5 x 3 (14400 arrangements)",SYN(501),g_rcbd(5,3,501,mu=6.2,sdt=.5,sdb=.4,sde=.25,dig=2)))
try1(k10_rcbd("k10-perm-4x3-counts-ties","Exact permutation, 4 x 3 counts with ties",SYN(1302),g_count(4,3,1302,mu=3,size=2)))
try1(k10_rcbd("k10-friedman-immer","Friedman, 5 x 6",imm,dft(immer$Loc,immer$Var,immer$Y1),exact=FALSE))
try1(k10_kw("k10-kruskal-insectsprays","Kruskal-Wallis with ties","datasets::InsectSprays",data.frame(g=InsectSprays$spray,y=InsectSprays$count)))
try1(k10_kw("k10-kruskal-airquality","Kruskal-Wallis, unequal n","datasets::airquality Ozone by Month (help page example; published 29.267 on 4 df)",{a <- airquality[!is.na(airquality$Ozone),];data.frame(g=a$Month,y=a$Ozone)}))
try1(k10_wilcox("k10-signed-rank-depression","Wilcoxon signed rank, exact","Hollander & Wolfe (1973) p. 29f., as in the help page of stats::wilcox.test (published V = 40, one-sided p = 0.01953)",c(1.83,0.50,1.62,2.48,1.68,1.88,1.55,3.06,1.30),c(0.878,0.647,0.598,2.05,1.06,1.29,1.06,3.14,1.29)))
try1(k10_wilcox("k10-signed-rank-sleep-ties","Signed rank with ties and a zero","datasets::sleep",sleep$extra[11:20],sleep$extra[1:10]))
try1(k10_ranksum("k10-rank-sum","Wilcoxon rank sum, exact by enumeration, with ties","datasets::PlantGrowth ctrl, trt1 rounded to 1 decimal",round(PlantGrowth$weight[1:10],1),round(PlantGrowth$weight[11:18],1)))
}
if(want("k11")){
pw <- c(494,395,516,434,476,557,413,442,650,433,417,656,267,478,178,423,427); mw <- c(512,430,520,428,500,600,364,380,658,445,432,626,260,477,259,350,451)
try1(k11_agree("k11-pefr","Agreement: two peak flow meters","Bland & Altman (1986) Lancet i, 307-310 (data as in the R package BlandAltmanLeh; checked against the printed bias -2.1 and SD 38.8 of Wright minus mini)",pw,mw,published=list(bias_wright_minus_mini=-2.1,sd=38.8,r=0.94)))
dv <- carData::Davis; dv <- dv[!is.na(dv$repwt),]; dv <- dv[-which.max(dv$weight),][1:80,]
try1(k11_agree("k11-davis-weights","Agreement with many ties: measured and reported weight (first 80)","carData::Davis (Davis 1990), one swapped record left out",dv$weight,dv$repwt))
set.seed(1401); h <- round(runif(24,2,85),0); im <- round(pmin(pmax(1.5+.93*h+rnorm(24,0,5),0),100),1)
try1(k11_agree("k11-cover-image-vs-eye","Image cover against reference cover, %",SYN(1401),h,im,y0=c(10,40,75)))
set.seed(1402); h <- c(0,0,rpois(28,14)); im <- rbinom(30,h,.8)+rpois(30,.8)
try1(k11_agree("k11-counts-image-vs-hand","Image weed counts against hand counts (integers, ties, zeros)",SYN(1402),h,im,lambda=.5,y0=c(5,12,18)))
set.seed(1403); x <- round(runif(8,10,20),1); y <- round(20+.05*x+rnorm(8,0,2),1)
try1(k11_calib("k11-calib-flat-line-unbounded","Calibration line not significant: the Fieller interval is unbounded",SYN(1403),x,y,y0=c(20,21)))
nr <- read.table(text=gsub("\r","",readLines("nist/Norris.dat"))[61:96]); try1(k11_calib("k11-nist-norris","NIST StRD linear regression Norris","NIST StRD Norris.dat (as in the scipy 1.10.1 test data)",nr[,2],nr[,1],y0=c(10,450,900),certified=list(intercept=-0.262323073774029,slope=1.00211681802045,se_intercept=0.232818234301152,se_slope=0.429796848199937e-03,sigma=0.884796396144373,r2=0.999993745883712,f=5436385.54079785)))
try1(k11_icc("k11-icc-shrout-fleiss","ICC, six targets, four judges","Shrout & Fleiss (1979) Psychol. Bull. 86, 420-428 (data as in ICC of the R package psych)",matrix(c(9,2,5,8,6,1,3,2,8,4,6,8,7,1,2,6,10,5,6,9,6,2,4,7),6,4,byrow=TRUE),published=list(icc_1_1=.17,icc_2_1=.29,icc_3_1=.71,icc_1_k=.44,icc_2_k=.62,icc_3_k=.91)))
}
if(want("k12")){
try1(k12_auc("k12-auc-5x3-6dates","Area under the curve, 5 x 3, six dates",SYN(1001),g_rm(5,3,seq(0,70,14),1001)))
try1(k12_auc("k12-auc-5x3-missing-dates","Area under the curve with missing inner and last dates",SYN(1003),{d <- g_rm(5,3,seq(0,70,14),1003); d$y[c(5,24,60)] <- NA; d}))
try1(k12_auc("k12-auc-4x4-uneven","Area under the curve, uneven dates",SYN(1002),g_rm(4,4,c(0,10,31,45),1002,phi=.75)))
}
if(want("k13")){
dt <- multcomp::detergent; dt <- dt[!is.na(dt$plates),]; try1(k13_ib("k13-bibd-detergent","Balanced incomplete blocks: 5 treatments, 10 blocks of 3","multcomp::detergent (Scheffe 1959, The Analysis of Variance, p. 189; Westfall et al. 1999, p. 189)",data.frame(block=as.character(dt$block),trt=as.character(dt$detergent),y=dt$plates)))
bt <- pbkrtest::beets; names(bt)
al <- function(seed,t,s,k,r){ set.seed(seed); o <- NULL; te <- rnorm(t,0,3); gen <- lapply(1:r,function(j) if(j==1) rep(0,k) else (0:(k-1))*(j-1)); for(j in 1:r) for(i in 0:(s-1)){ be <- rnorm(1,0,2.5); tr <- vapply(0:(k-1),function(c) c*s+((i+gen[[j]][c+1])%%s)+1,0); o <- rbind(o,data.frame(rep=paste0("R",j),block=paste0("R",j,"B",i+1),trt=sprintf("V%02d",tr),y=round(50+te[tr]+be+rnorm(k,0,1.5)+2*j,1))) }; o }
try1(k13_ib("k13-alpha-like-20","Resolvable incomplete blocks: 20 entries, 3 replicates, blocks of 4",SYN(1501),al(1501,20,5,4,3),rep=TRUE))
try1(k13_ib("k13-incomplete-unequal-blocks","Incomplete blocks of sizes 2 to 4, unequal replication",SYN(1502),{d <- g_rcbd(5,6,1502,mu=30); d[-c(2,5,8,14,16,18,20,24,27,30,21),]}))
try1(k02_latin("k13-latin-5x5","5 x 5 Latin square",SYN(1503),{set.seed(1503); L <- outer(0:4,0:4,function(i,j) (2*i+j)%%5)+1; r <- rnorm(5,0,3); cc <- rnorm(5,0,3); te <- rnorm(5,0,3); d <- expand.grid(row=1:5,col=1:5); d$trt <- LETTERS[L[cbind(d$row,d$col)]]; d$y <- round(60+r[d$row]+cc[d$col]+te[match(d$trt,LETTERS)]+rnorm(25,0,1.5),1); d}))
}
cat("written",COUNT,"\n")
